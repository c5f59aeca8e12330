package org.rakelight.field

import android.content.Context
import android.view.Gravity
import android.view.ViewGroup.LayoutParams.MATCH_PARENT
import android.view.ViewGroup.LayoutParams.WRAP_CONTENT
import android.widget.Button
import android.widget.FrameLayout
import android.widget.LinearLayout
import org.rakelight.core.MapDrawn
import org.rakelight.core.MarkKind

/** The map with its buttons at the thumb. */
class MapPanel(context: Context, leftHanded: Boolean) : FrameLayout(context) {
    private val map = MapView(context)
    private val here = press("", R.string.map_here) { map.toHere() }.apply {
        foreground = context.getDrawable(R.drawable.ic_here)
        foregroundTintList = textColors
        foregroundGravity = Gravity.CENTER
    }

    init {
        val space = (8 * resources.displayMetrics.density).toInt()
        addView(map, MATCH_PARENT, MATCH_PARENT)
        val presses = listOf(
            press("+", R.string.map_closer) { map.zoom(STEP) },
            press("−", R.string.map_farther) { map.zoom(1 / STEP) },
            here,
        )
        val row = LinearLayout(context)
        (if (leftHanded) presses else presses.reversed()).forEach { press ->
            row.addView(press, LinearLayout.LayoutParams(WRAP_CONTENT, WRAP_CONTENT).apply { setMargins(space, 0, 0, 0) })
        }
        val side = if (leftHanded) Gravity.START else Gravity.END
        addView(row, LayoutParams(WRAP_CONTENT, WRAP_CONTENT, Gravity.BOTTOM or side).apply { setMargins(0, 0, space, space) })
    }

    fun show(drawn: MapDrawn) {
        map.show(drawn)
        here.visibility = if (drawn.marks.any { it.kind is MarkKind.Here }) VISIBLE else GONE
    }

    private fun press(sign: String, label: Int, act: () -> Unit) = Button(context, null, 0, R.style.Press_Quiet).apply {
        text = sign
        contentDescription = context.getString(label)
        setOnClickListener { act() }
    }

    private companion object {
        const val STEP = 1.6
    }
}
