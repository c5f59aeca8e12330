package org.rakelight.field

import android.graphics.Paint
import android.graphics.Path
import android.view.View

/** A line with round ends, so many dp wide. */
fun View.stroke(colour: Int, widthDp: Float) = fill(colour).apply {
    style = Paint.Style.STROKE
    strokeWidth = widthDp * resources.displayMetrics.density
    strokeCap = Paint.Cap.ROUND
    strokeJoin = Paint.Join.ROUND
}

fun View.fill(colour: Int) = Paint(Paint.ANTI_ALIAS_FLAG).apply { color = context.getColor(colour) }

/** Around these points. */
fun outline(points: List<Pair<Float, Float>>) = Path().apply {
    points.forEachIndexed { i, (x, y) -> if (i == 0) moveTo(x, y) else lineTo(x, y) }
    close()
}
