package org.rakelight.field

import android.content.Context
import android.util.AttributeSet
import android.view.View.MeasureSpec.AT_MOST
import android.view.View.MeasureSpec.EXACTLY
import android.view.View.MeasureSpec.UNSPECIFIED
import android.view.View.MeasureSpec.makeMeasureSpec
import android.view.ViewGroup
import android.widget.Button

/** Buttons of one width, up to three beside each other where their words stand in them whole; the first one nearest to the thumb. */
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

    fun put(buttons: List<Button>) {
        removeAllViews()
        buttons.forEach(::addView)
    }

    private val buttons get() = (0 until childCount).map { getChildAt(it) as Button }

    override fun onMeasure(widthSpec: Int, heightSpec: Int) {
        val room = MeasureSpec.getSize(widthSpec) - paddingLeft - paddingRight
        val unlimited = makeMeasureSpec(0, UNSPECIFIED)
        columns = (minOf(childCount, MOST_COLUMNS) downTo 2).firstOrNull { buttons.all { button -> fits(button, column(room, it)) } } ?: 1
        val width = makeMeasureSpec(column(room, columns), EXACTLY)
        val most = if (MeasureSpec.getMode(heightSpec) == UNSPECIFIED) unlimited else makeMeasureSpec(MeasureSpec.getSize(heightSpec), AT_MOST)
        buttons.forEach { it.measure(width, most) }
        rows().forEach { row ->
            val tallest = makeMeasureSpec(row.maxOf { it.measuredHeight }, EXACTLY)
            row.forEach { it.measure(width, tallest) }
        }
        val height = rows().sumOf { row -> row.first().measuredHeight + space }
        setMeasuredDimension(MeasureSpec.getSize(widthSpec), height + paddingTop + paddingBottom)
    }

    /** Whether a button's words stand in it whole, in two lines at most. */
    private fun fits(button: Button, width: Int): Boolean {
        button.measure(makeMeasureSpec(width, EXACTLY), makeMeasureSpec(0, UNSPECIFIED))
        val room = width - button.compoundPaddingLeft - button.compoundPaddingRight
        val longest = button.text.split(' ', '\n').maxOfOrNull(button.paint::measureText) ?: 0f
        return longest <= room && button.lineCount <= 2
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

    private companion object {
        const val MOST_COLUMNS = 3
    }
}

/** An icon before a button's text, in the text's colour. */
fun Button.icon(icon: Int) {
    setCompoundDrawablesRelativeWithIntrinsicBounds(icon, 0, 0, 0)
    compoundDrawableTintList = textColors
}
