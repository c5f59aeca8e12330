package org.rakelight.field

import android.content.Context
import android.graphics.Canvas
import android.view.View

/** How sure: a bar to the probability, a thin line over it for how far the answer moves when the facts are varied. */
class ShareBar(context: Context, private val share: Double, private val low: Double, private val high: Double) : View(context) {
    private val dp = resources.displayMetrics.density
    private val ground = fill(R.color.panel)
    private val bar = fill(R.color.text)
    private val band = stroke(R.color.second, 2f)

    override fun onMeasure(widthSpec: Int, heightSpec: Int) =
        setMeasuredDimension(MeasureSpec.getSize(widthSpec), (20 * dp).toInt())

    override fun onDraw(canvas: Canvas) {
        val (top, bottom) = 8 * dp to 18 * dp
        canvas.drawRect(0f, top, width.toFloat(), bottom, ground)
        canvas.drawRect(0f, top, (width * share).toFloat(), bottom, bar)
        val (from, to) = at(low) to at(high)
        canvas.drawLine(from, 4 * dp, to, 4 * dp, band)
        listOf(from, to).forEach { x -> canvas.drawLine(x, 2 * dp, x, 6 * dp, band) }
    }

    private fun at(share: Double) = (width * share).toFloat().coerceIn(dp, width - dp)
}
