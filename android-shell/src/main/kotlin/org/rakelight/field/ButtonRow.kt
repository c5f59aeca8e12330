package org.rakelight.field

import android.content.Context
import android.util.AttributeSet
import android.view.View.MeasureSpec.AT_MOST
import android.view.View.MeasureSpec.EXACTLY
import android.view.View.MeasureSpec.UNSPECIFIED
import android.view.View.MeasureSpec.makeMeasureSpec
import android.view.ViewGroup
import android.widget.Button

/** Buttons of one width, as many beside each other as fit with their whole text. */
class ButtonRow(context: Context, attributes: AttributeSet?) : ViewGroup(context, attributes) {
    private val space = (8 * resources.displayMetrics.density).toInt()
    private var columns = 1

    /** A button: its text, whether it is a quiet one, what it does. */
    class Press(val text: String, val quiet: Boolean = false, val icon: Int = 0, val act: () -> Unit)

    fun show(buttons: List<Press>) {
        removeAllViews()
        buttons.forEach { press ->
            val style = if (press.quiet) R.style.Press_Quiet else R.style.Press
            addView(Button(context, null, 0, style).apply {
                text = press.text
                setCompoundDrawablesRelativeWithIntrinsicBounds(press.icon, 0, 0, 0)
                setOnClickListener { press.act() }
            })
        }
    }

    private val buttons get() = (0 until childCount).map(::getChildAt)

    override fun onMeasure(widthSpec: Int, heightSpec: Int) {
        val room = MeasureSpec.getSize(widthSpec) - paddingLeft - paddingRight
        val unlimited = makeMeasureSpec(0, UNSPECIFIED)
        buttons.forEach { it.measure(unlimited, unlimited) }
        val widest = buttons.maxOfOrNull { it.measuredWidth } ?: 0
        columns = (childCount downTo 2).firstOrNull { widest <= column(room, it) } ?: 1
        val width = makeMeasureSpec(column(room, columns), EXACTLY)
        buttons.forEach { it.measure(width, makeMeasureSpec(MeasureSpec.getSize(heightSpec), AT_MOST)) }
        val height = rows().sumOf { row -> row.maxOf { it.measuredHeight } + space }
        setMeasuredDimension(MeasureSpec.getSize(widthSpec), height + paddingTop + paddingBottom)
    }

    override fun onLayout(changed: Boolean, left: Int, top: Int, right: Int, bottom: Int) {
        var y = paddingTop + space
        rows().forEach { row ->
            val height = row.maxOf { it.measuredHeight }
            row.forEachIndexed { i, button ->
                val x = paddingLeft + i * (button.measuredWidth + space)
                button.layout(x, y, x + button.measuredWidth, y + height)
            }
            y += height + space
        }
    }

    private fun rows() = buttons.chunked(columns)

    private fun column(room: Int, columns: Int) = (room - (columns - 1) * space) / columns
}
