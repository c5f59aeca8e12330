package org.rakelight.field

import android.content.Context
import android.graphics.Canvas
import android.graphics.DashPathEffect
import android.graphics.Matrix
import android.graphics.Path
import android.view.View
import kotlin.math.abs
import kotlin.math.cos
import kotlin.math.min
import kotlin.math.sin
import org.rakelight.core.Point

/** Over the preview: where the scale card is to lie, its outline as soon as the core sees it, and from where the sun comes. */
class PreviewOverlay(context: Context) : View(context) {
    private val dp = resources.displayMetrics.density
    private val ink = stroke(R.color.ink, 5f)
    private val lamp = stroke(R.color.lamp, 2.5f)
    private val foam = stroke(R.color.foam, 2.5f)
    private val foamDashes = stroke(R.color.foam, 2.5f).apply { pathEffect = DashPathEffect(floatArrayOf(10 * dp, 8 * dp), 0f) }
    private val inkFill = fill(R.color.ink)
    private val foamFill = fill(R.color.foam)
    private var preview: Preview? = null
    private var card: List<Point> = emptyList()

    /** How much of the preview the card is to fill; null where none is asked for. */
    var targetPart: Float? = null

    /** Where the sun stands, clockwise from the screen's top; null where it isn't known or there is none. */
    var sunDeg: Double? = null
        set(value) {
            field = value
            invalidate()
        }

    init {
        importantForAccessibility = IMPORTANT_FOR_ACCESSIBILITY_NO // All of it is said in words.
    }

    /** The card's outline, px of the preview. */
    fun show(preview: Preview, card: List<Point>) {
        this.preview = preview
        this.card = card
        invalidate()
    }

    override fun onDraw(canvas: Canvas) {
        val preview = preview
        if (preview != null && card.isNotEmpty()) drawCard(canvas, preview) else targetPart?.let { drawTarget(canvas, it) }
        sunDeg?.let { drawSun(canvas, it.toFloat()) }
    }

    /** Ink below lamp: what is measured, seen on any ground and without colour. */
    private fun drawCard(canvas: Canvas, preview: Preview) {
        val outline = outline(card.map { it.x.toFloat() to it.y.toFloat() }).apply { transform(toView(preview)) }
        canvas.drawPath(outline, ink)
        canvas.drawPath(outline, lamp)
    }

    /** From the sensor's rows to the screen. */
    private fun toView(preview: Preview) = Matrix().apply {
        val (width, height) = preview.widthPx.toFloat() to preview.heightPx.toFloat()
        val (uprightWidth, uprightHeight) = if (preview.turnDeg % 180 == 0) width to height else height to width
        postTranslate(-width / 2, -height / 2)
        postRotate(preview.turnDeg.toFloat())
        postScale(this@PreviewOverlay.width / uprightWidth, this@PreviewOverlay.height / uprightHeight)
        postTranslate(this@PreviewOverlay.width / 2f, this@PreviewOverlay.height / 2f)
    }

    private fun drawTarget(canvas: Canvas, part: Float) {
        val pxPerMm = part * min(width / CARD_WIDTH_MM, height / CARD_HEIGHT_MM)
        val (cardWidth, cardHeight) = CARD_WIDTH_MM * pxPerMm to CARD_HEIGHT_MM * pxPerMm
        // In the middle, or where it is to be small out of the sign's way.
        val (x, y) = if (part > 0.5f) (width - cardWidth) / 2 to (height - cardHeight) / 2 else 24 * dp to height - cardHeight - 24 * dp
        val target = outline(CARD_MM.map { (right, down) -> x + right * pxPerMm to y + down * pxPerMm })
        canvas.drawPath(target, ink)
        canvas.drawPath(target, foamDashes)
    }

    /** The sun near the preview's edge, and an arrow the way its light goes. */
    private fun drawSun(canvas: Canvas, degrees: Float) {
        val (x, y) = width / 2f to height / 2f
        val radius = min(9 * dp, min(width, height) / 24f)
        val turn = Math.toRadians(degrees.toDouble())
        val toEdge = min(x / abs(sin(turn)), y / abs(cos(turn))).toFloat()
        val top = y - toEdge + 2.4f * radius
        canvas.save()
        canvas.rotate(degrees, x, y)
        val arrow = Path().apply {
            val tip = top + 5f * radius
            moveTo(x, top + 2 * radius)
            lineTo(x, tip)
            moveTo(x - radius, tip - radius)
            lineTo(x, tip)
            lineTo(x + radius, tip - radius)
        }
        val rays = Path().apply { (0 until 8).forEach { addPath(ray(x, top, radius, it * 45f)) } }
        listOf(arrow, rays).forEach { canvas.drawPath(it, ink); canvas.drawPath(it, foam) }
        canvas.drawCircle(x, top, radius, inkFill)
        canvas.drawCircle(x, top, radius - 2 * dp, foamFill)
        canvas.restore()
    }

    private fun ray(x: Float, y: Float, radius: Float, degrees: Float) = Path().apply {
        moveTo(x, y - 1.3f * radius)
        lineTo(x, y - 1.8f * radius)
        transform(Matrix().apply { setRotate(degrees, x, y) })
    }

    private companion object {
        /** The standard card's outline, mm, as core/src/scale/card.rs has it and how_to_lay.xml draws it. */
        const val CARD_WIDTH_MM = 152f
        const val CARD_HEIGHT_MM = 200f
        val CARD_MM = listOf(0f to 0f, 38f to 0f, 38f to 162f, 152f to 162f, 152f to 200f, 0f to 200f)
    }
}
