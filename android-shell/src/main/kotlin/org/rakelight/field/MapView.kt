package org.rakelight.field

import android.annotation.SuppressLint
import android.content.Context
import android.graphics.Canvas
import android.graphics.DashPathEffect
import android.graphics.Paint
import android.graphics.Path
import android.view.GestureDetector
import android.view.MotionEvent
import android.view.ScaleGestureDetector
import android.view.View
import kotlin.math.floor
import kotlin.math.log10
import kotlin.math.max
import kotlin.math.min
import kotlin.math.pow
import org.rakelight.core.LineKind
import org.rakelight.core.MapDrawn
import org.rakelight.core.MapMark
import org.rakelight.core.MarkKind

/** The worker's own map, drawn without a network: the stretch, what was searched of it, the way walked, what was found, and where one is. */
class MapView(context: Context) : View(context) {
    private val dp = resources.displayMetrics.density
    private var map = MapDrawn(emptyList(), emptyList())

    /** The middle of the view, m, and how large a metre is. */
    private var middleX = 0.0
    private var middleY = 0.0
    private var pxPerM = 0.0

    /** Whether the worker moved it; else all of it is shown. */
    private var moved = false

    private val ink = stroke(R.color.text, 2f)
    private val edge = stroke(R.color.text, 9f)
    private val lamp = stroke(R.color.lamp, 5f)
    private val way = stroke(R.color.second, 1.5f).apply { pathEffect = DashPathEffect(floatArrayOf(5 * dp, 4 * dp), 0f) }
    private val here = stroke(R.color.action, 2f)
    private val dot = fill(R.color.action)
    private val plate = fill(R.color.ground)
    private val letters = fill(R.color.text).apply {
        textSize = 14f * dp * min(resources.configuration.fontScale, LARGEST_LETTERS)
        fontFeatureSettings = "tnum"
    }

    init {
        contentDescription = context.getString(R.string.map_label)
    }

    fun show(map: MapDrawn) {
        this.map = map
        if (!moved) all()
        invalidate()
    }

    /** Larger or smaller about the view's middle. */
    fun zoom(by: Double) {
        if (pxPerM == 0.0) return
        moved = true
        pxPerM = (pxPerM * by).coerceIn(SMALLEST_PX_PER_M, LARGEST_DP_PER_M * dp)
        invalidate()
    }

    /** The worker in the middle, where it is known where that is. */
    fun toHere() {
        val mark = map.marks.find { it.kind is MarkKind.Here } ?: return
        moved = true
        middleX = mark.xM
        middleY = mark.yM
        pxPerM = max(pxPerM, min(width, height) / NEAR_M)
        invalidate()
    }

    override fun onSizeChanged(width: Int, height: Int, oldWidth: Int, oldHeight: Int) {
        if (!moved) all()
    }

    private fun all() {
        val xs = map.lines.flatMap { it.points }.map { it.xM } + map.marks.map { it.xM }
        val ys = map.lines.flatMap { it.points }.map { it.yM } + map.marks.map { it.yM }
        if (xs.isEmpty() || width == 0) return
        // The scale bar stands above, the buttons below.
        val (roomX, roomY) = width - 64 * dp to max(height - (TOP_DP + BELOW_DP) * dp, 32 * dp)
        val (spanX, spanY) = max(xs.max() - xs.min(), LEAST_M) to max(ys.max() - ys.min(), LEAST_M)
        pxPerM = min(roomX / spanX, roomY / spanY)
        middleX = (xs.max() + xs.min()) / 2
        middleY = (ys.max() + ys.min()) / 2 - (BELOW_DP - TOP_DP) / 2 * dp / pxPerM
    }

    private fun x(m: Double) = (width / 2 + (m - middleX) * pxPerM).toFloat()

    private fun y(m: Double) = (height / 2 - (m - middleY) * pxPerM).toFloat()

    override fun onDraw(canvas: Canvas) {
        if (pxPerM == 0.0) return
        lines(canvas, LineKind.STRETCH, ink)
        lines(canvas, LineKind.SEARCHED, edge, lamp)
        lines(canvas, LineKind.TRACK, way)
        map.marks.forEach { mark(canvas, it) }
        scaleBar(canvas)
        north(canvas)
    }

    private fun lines(canvas: Canvas, kind: LineKind, vararg paints: Paint) = map.lines.filter { it.kind == kind }.forEach { line ->
        val path = Path()
        line.points.forEachIndexed { i, at -> if (i == 0) path.moveTo(x(at.xM), y(at.yM)) else path.lineTo(x(at.xM), y(at.yM)) }
        paints.forEach { canvas.drawPath(path, it) }
    }

    private fun mark(canvas: Canvas, mark: MapMark) {
        val (x, y) = x(mark.xM) to y(mark.yM)
        when (val kind = mark.kind) {
            is MarkKind.Sign -> {
                // On a stem, so that who stands there doesn't hide it.
                val above = y - PIN_DP * dp
                canvas.drawLine(x, y, x, above, ink)
                canvas.drawCircle(x, above, 13 * dp, plate)
                canvas.drawCircle(x, above, 13 * dp, ink)
                context.getDrawable(kind.sign.icon)?.mutate()?.apply {
                    setTint(context.getColor(R.color.text))
                    setBounds((x - 9 * dp).toInt(), (above - 9 * dp).toInt(), (x + 9 * dp).toInt(), (above + 9 * dp).toInt())
                    draw(canvas)
                }
            }
            is MarkKind.Here -> {
                kind.radius68M?.let { canvas.drawCircle(x, y, (it * pxPerM).toFloat(), here) }
                canvas.drawCircle(x, y, 8 * dp, plate)
                canvas.drawCircle(x, y, 6 * dp, dot)
            }
            MarkKind.Spot -> {
                val triangle = Path().apply {
                    moveTo(x, y - 8 * dp)
                    lineTo(x + 7 * dp, y + 5 * dp)
                    lineTo(x - 7 * dp, y + 5 * dp)
                    close()
                }
                canvas.drawPath(triangle, plate)
                canvas.drawPath(triangle, ink)
                if (height > ROOM_FOR_WORDS_DP * dp) write(canvas, mark.label, x - 7 * dp, y + 9 * dp + letters.textSize)
            }
            MarkKind.PlaceStart -> canvas.drawRect(x - 5 * dp, y - 5 * dp, x + 5 * dp, y + 5 * dp, letters)
        }
    }

    /** On a plate of the ground's colour, within the view. */
    private fun write(canvas: Canvas, text: String, x: Float, y: Float) {
        val wide = letters.measureText(text)
        val from = x.coerceIn(0f, max(0f, width - wide - 4 * dp))
        canvas.drawRect(from - 2 * dp, y - letters.textSize, from + wide + 2 * dp, y + 4 * dp, plate)
        canvas.drawText(text, from, y, letters)
    }

    /** One, two or five times a power of ten, not longer than a third of the view. */
    private fun scaleBar(canvas: Canvas) {
        val longest = width / 3 / pxPerM
        val power = 10.0.pow(floor(log10(longest)))
        val lengthM = listOf(5, 2, 1).map { it * power }.first { it <= longest }
        val (left, top) = 12 * dp to 12 * dp + letters.textSize
        val right = left + (lengthM * pxPerM).toFloat()
        write(canvas, context.metres(lengthM), left, top)
        canvas.drawLine(left, top + 10 * dp, right, top + 10 * dp, edge)
        canvas.drawLine(left, top + 10 * dp, right, top + 10 * dp, lamp)
    }

    private fun north(canvas: Canvas) {
        val (x, top) = width - 20 * dp to 10 * dp
        val arrow = Path().apply {
            moveTo(x - 6 * dp, top + 10 * dp)
            lineTo(x, top)
            lineTo(x + 6 * dp, top + 10 * dp)
            moveTo(x, top)
            lineTo(x, top + 22 * dp)
        }
        canvas.drawPath(arrow, ink)
        val name = context.getString(R.string.map_north)
        canvas.drawText(name, x - letters.measureText(name) / 2, top + 24 * dp + letters.textSize, letters)
    }

    // By fingers, beside the buttons

    private val pinch = ScaleGestureDetector(context, object : ScaleGestureDetector.SimpleOnScaleGestureListener() {
        override fun onScale(detector: ScaleGestureDetector) = true.also { zoom(detector.scaleFactor.toDouble()) }
    })

    private val drag = GestureDetector(context, object : GestureDetector.SimpleOnGestureListener() {
        override fun onDown(event: MotionEvent) = true

        override fun onScroll(first: MotionEvent?, now: MotionEvent, x: Float, y: Float): Boolean {
            if (pxPerM == 0.0) return false
            moved = true
            middleX += x / pxPerM
            middleY -= y / pxPerM
            invalidate()
            return true
        }
    })

    @SuppressLint("ClickableViewAccessibility") // Everything is there by buttons too.
    override fun onTouchEvent(event: MotionEvent): Boolean {
        parent?.requestDisallowInterceptTouchEvent(event.pointerCount > 1)
        pinch.onTouchEvent(event)
        return drag.onTouchEvent(event)
    }

    private companion object {
        const val LEAST_M = 40.0
        const val NEAR_M = 150.0
        const val SMALLEST_PX_PER_M = 0.005
        const val LARGEST_DP_PER_M = 20.0
        const val LARGEST_LETTERS = 1.5f
        const val PIN_DP = 28
        const val ROOM_FOR_WORDS_DP = 220
        const val TOP_DP = 72
        const val BELOW_DP = 96
    }
}
