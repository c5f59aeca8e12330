package org.rakelight.field

import android.annotation.SuppressLint
import android.content.Context
import android.graphics.Bitmap
import android.graphics.Canvas
import android.graphics.Matrix
import android.graphics.Paint
import android.graphics.Path
import android.graphics.RectF
import android.util.AttributeSet
import android.view.MotionEvent
import android.view.View
import kotlin.math.hypot
import kotlin.math.min
import org.rakelight.core.Point

/** A photograph with the scale card, the marks and the measures drawn in. A finger sets marks, under a loupe. */
class PictureView(context: Context, attributes: AttributeSet?) : View(context, attributes) {
    /** Called with a marked point (px of the upright picture) and a mark's standard uncertainty (px). */
    var onMark: ((Point, Double) -> Unit)? = null

    /** Called with a mark that was dragged elsewhere: which, where to, and its standard uncertainty (px). */
    var onMoved: ((Int, Point, Double) -> Unit)? = null

    /** Whether a touch sets a mark. Those that are there can always be dragged. */
    var marking = false

    private var bitmap: Bitmap? = null
    private var bitmapToPicture = 1f
    private var outline: List<Point> = emptyList()
    private var near: Near? = null
    private var marks: List<Point> = emptyList()
    private var lines: List<MeasuredLine> = emptyList()
    private var bar: ScaleBar? = null
    private var finger: Point? = null

    /** The mark that is being dragged. */
    private var dragged: Int? = null
    private val pictureToView = Matrix()
    private val viewToPicture = Matrix()
    private val dp = resources.displayMetrics.density

    private val photo = Paint(Paint.FILTER_BITMAP_FLAG)
    private val ink = stroke(R.color.ink, 5f)
    private val lamp = stroke(R.color.lamp, 2.5f)
    private val plate = fill(R.color.foam)
    private val letters = fill(R.color.ink).apply {
        // Larger letters would hide the print; the page below says the same in full size.
        textSize = 16f * dp * resources.configuration.fontScale.coerceAtMost(1.3f)
        fontFeatureSettings = "tnum"
    }

    /** A line between two marks, with its measure. */
    data class MeasuredLine(val from: Point, val to: Point, val label: String)

    /** A length in the middle of the picture. */
    data class ScaleBar(val lengthPx: Double, val label: String)

    /** A part of the picture that fills the view: so far to each side of a point. */
    data class Near(val middle: Point, val reachPx: Double)

    init {
        contentDescription = context.getString(R.string.picture_label)
    }

    /** Shows a picture that is [widthPx] wide when not made smaller for the screen. */
    fun show(bitmap: Bitmap?, widthPx: Int) {
        this.bitmap = bitmap
        bitmapToPicture = if (bitmap == null) 1f else widthPx.toFloat() / bitmap.width
        place()
    }

    fun draw(near: Near?, outline: List<Point>, marks: List<Point>, lines: List<MeasuredLine>, bar: ScaleBar?) {
        val moved = this.outline != outline || this.near != near
        this.near = near
        this.outline = outline
        this.marks = marks
        this.lines = lines
        this.bar = bar
        if (moved) place()
        invalidate()
    }

    override fun onSizeChanged(width: Int, height: Int, oldWidth: Int, oldHeight: Int) = place()

    /** The print fills the view where its middle is known, else the card, else the whole picture. */
    private fun place() {
        val bitmap = bitmap ?: return
        val whole = RectF(0f, 0f, bitmap.width * bitmapToPicture, bitmap.height * bitmapToPicture)
        val near = near
        val part = when {
            near != null -> around(listOf(near.middle), near.reachPx.toFloat())
            outline.isNotEmpty() -> around(outline, 0.03f * whole.width())
            else -> RectF(whole)
        }
        part.intersect(whole)
        pictureToView.setRectToRect(part, RectF(0f, 0f, width.toFloat(), height.toFloat()), Matrix.ScaleToFit.CENTER)
        pictureToView.invert(viewToPicture)
        invalidate()
    }

    private fun around(points: List<Point>, margin: Float) =
        RectF(
            points.minOf { it.x }.toFloat(), points.minOf { it.y }.toFloat(),
            points.maxOf { it.x }.toFloat(), points.maxOf { it.y }.toFloat(),
        ).apply { inset(-margin, -margin) }

    override fun onDraw(canvas: Canvas) {
        val bitmap = bitmap ?: return
        drawScene(canvas, bitmap)
        bar?.let { drawBar(canvas, it) }
        finger?.let { drawLoupe(canvas, bitmap, it) }
    }

    private fun drawScene(canvas: Canvas, bitmap: Bitmap) {
        canvas.drawBitmap(bitmap, Matrix().apply { setScale(bitmapToPicture, bitmapToPicture); postConcat(pictureToView) }, photo)
        if (outline.isNotEmpty()) {
            val path = outline(outline.map(::inView).map { (x, y) -> x to y })
            twice { canvas.drawPath(path, it) }
        }
        lines.forEach { line ->
            val (from, to) = inView(line.from) to inView(line.to)
            twice { canvas.drawLine(from[0], from[1], to[0], to[1], it) }
        }
        marks.forEachIndexed { i, mark -> drawMark(canvas, inView(finger.takeIf { i == dragged } ?: mark)) }
        lines.forEach { line -> drawLabel(canvas, inView(line.to), line.label) }
    }

    private fun drawMark(canvas: Canvas, at: FloatArray) {
        twice { canvas.drawCircle(at[0], at[1], 7 * dp, it) }
    }

    private fun drawLabel(canvas: Canvas, at: FloatArray, label: String) {
        val width = letters.measureText(label)
        val x = (at[0] + 12 * dp).coerceIn(4 * dp, (this.width - width - 8 * dp).coerceAtLeast(4 * dp))
        val y = (at[1] + 6 * dp).coerceIn(letters.textSize + 4 * dp, height - 8 * dp)
        val box = RectF(x - 4 * dp, y - letters.textSize, x + width + 4 * dp, y + 0.35f * letters.textSize)
        canvas.drawRoundRect(box, 4 * dp, 4 * dp, plate)
        canvas.drawText(label, x, y, letters)
    }

    private fun drawBar(canvas: Canvas, bar: ScaleBar) {
        val length = pictureToView.mapRadius(bar.lengthPx.toFloat())
        val (x, y) = 16 * dp to height - 16 * dp
        twice { canvas.drawLine(x, y, x + length, y, it) }
        drawLabel(canvas, floatArrayOf(x - 12 * dp, y - 18 * dp), bar.label)
    }

    /** What lies under the finger, larger, above it; beside it where there is no room above. */
    private fun drawLoupe(canvas: Canvas, bitmap: Bitmap, at: Point) {
        val radius = min(width, height) * 0.22f
        val (fx, fy) = inView(at).let { it[0] to it[1] }
        val above = fy - radius - FINGER_DP * dp
        val hasRoom = above >= radius
        val beside = if (fx > width / 2f) fx - radius - FINGER_DP * dp else fx + radius + FINGER_DP * dp
        val x = (if (hasRoom) fx else beside).coerceIn(radius, (width - radius).coerceAtLeast(radius))
        val y = above.coerceIn(radius, (height - radius).coerceAtLeast(radius))
        val circle = Path().apply { addCircle(x, y, radius, Path.Direction.CW) }
        canvas.save()
        canvas.clipPath(circle)
        canvas.drawPaint(plate)
        canvas.translate(x - LOUPE * fx, y - LOUPE * fy)
        canvas.scale(LOUPE, LOUPE)
        drawScene(canvas, bitmap)
        canvas.restore()
        twice { canvas.drawPath(circle, it) }
        val arm = 12 * dp
        twice { canvas.drawLine(x - arm, y, x + arm, y, it); canvas.drawLine(x, y - arm, x, y + arm, it) }
    }

    @SuppressLint("ClickableViewAccessibility") // A mark is a place; there is nothing to click without one.
    override fun onTouchEvent(event: MotionEvent): Boolean {
        if (bitmap == null) return false
        val at = floatArrayOf(event.x, event.y).also(viewToPicture::mapPoints).let { (x, y) -> Point(x.toDouble(), y.toDouble()) }
        when (event.actionMasked) {
            MotionEvent.ACTION_DOWN -> {
                dragged = markAt(event.x, event.y)
                if (dragged == null && !marking) return false
                finger = at
            }
            MotionEvent.ACTION_MOVE -> finger = at
            MotionEvent.ACTION_UP -> {
                val uPx = viewToPicture.mapRadius(TOUCH_U_DP * dp).toDouble()
                val moved = dragged
                dragged = null
                finger = null
                if (moved != null) onMoved?.invoke(moved, at, uPx) else onMark?.invoke(at, uPx)
            }
            MotionEvent.ACTION_CANCEL -> {
                dragged = null
                finger = null
            }
        }
        invalidate()
        return true
    }

    /** The mark within reach of a finger; a place is marked anew only where there is none. */
    private fun markAt(x: Float, y: Float): Int? {
        if (onMoved == null) return null
        val away = marks.map { mark -> inView(mark).let { (mx, my) -> hypot(mx - x, my - y) } }
        return away.withIndex().minByOrNull { it.value }?.takeIf { it.value <= REACH_DP * dp }?.index
    }

    /** A pixel of the picture in the view; for tests too. */
    fun inView(point: Point): FloatArray =
        floatArrayOf(point.x.toFloat(), point.y.toFloat()).also(pictureToView::mapPoints)

    /** Ink below lamp, so that it is seen on any ground and without colour. */
    private fun twice(draw: (Paint) -> Unit) {
        draw(ink)
        draw(lamp)
    }

    private companion object {
        /** How much larger the loupe shows. */
        const val LOUPE = 2.5f
        /** A mark set under the loupe: its standard uncertainty on the glass, dp. Assumed; a quarter of a millimetre. */
        const val TOUCH_U_DP = 1.5f
        /** Within this a touch takes hold of a mark. */
        const val REACH_DP = 24f
        /** How far the loupe keeps from the finger's middle. */
        const val FINGER_DP = 40f
    }
}
