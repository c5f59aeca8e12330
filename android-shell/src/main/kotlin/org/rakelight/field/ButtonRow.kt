package org.rakelight.field

import android.content.Context
import android.util.AttributeSet
import android.view.View
import android.view.View.MeasureSpec.AT_MOST
import android.view.View.MeasureSpec.EXACTLY
import android.view.View.MeasureSpec.UNSPECIFIED
import android.view.View.MeasureSpec.makeMeasureSpec
import android.view.ViewGroup
import android.widget.Button

/** Buttons of one width, as many beside each other as fit with their whole text; the first one nearest to the thumb. */
class ButtonRow(context: Context, attributes: AttributeSet?) : ViewGroup(context, attributes) {
    private val space = (8 * resources.displayMetrics.density).toInt()
    private var columns = 1

    /** On which side the thumb is. */
    var leftHanded = true

    fun show(presses: List<Press>) = put(presses.map { press ->
        val style = if (press.quiet) R.style.Press_Quiet else R.style.Press
        Button(context, null, 0, style).apply {
            text = press.text
            icon(press.icon)
            contentDescription = press.said
            if (press.large) minHeight = (96 * resources.displayMetrics.density).toInt()
            setOnClickListener { press.act() }
        }
    })

    fun put(buttons: List<View>) {
        removeAllViews()
        buttons.forEach(::addView)
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
        rows().forEach { row ->
            val tallest = makeMeasureSpec(row.maxOf { it.measuredHeight }, EXACTLY)
            row.forEach { it.measure(width, tallest) }
        }
        val height = rows().sumOf { row -> row.first().measuredHeight + space }
        setMeasuredDimension(MeasureSpec.getSize(widthSpec), height + paddingTop + paddingBottom)
    }

    override fun onLayout(changed: Boolean, left: Int, top: Int, right: Int, bottom: Int) {
        var y = paddingTop + space
        rows().forEach { row ->
            val height = row.maxOf { it.measuredHeight }
            row.forEachIndexed { i, button ->
                val place = if (leftHanded) i else columns - 1 - i
                val x = paddingLeft + place * (button.measuredWidth + space)
                button.layout(x, y, x + button.measuredWidth, y + height)
            }
            y += height + space
        }
    }

    private fun rows() = buttons.chunked(columns)

    private fun column(room: Int, columns: Int) = (room - (columns - 1) * space) / columns
}

/** An icon before a button's text, in the text's colour. */
fun Button.icon(icon: Int) {
    setCompoundDrawablesRelativeWithIntrinsicBounds(icon, 0, 0, 0)
    compoundDrawableTintList = textColors
}
