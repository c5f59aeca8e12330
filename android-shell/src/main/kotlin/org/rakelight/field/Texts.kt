package org.rakelight.field

import android.content.Context
import android.text.SpannableStringBuilder
import android.text.Spanned
import android.text.format.DateFormat
import android.text.format.DateUtils
import android.text.style.RelativeSizeSpan
import java.text.NumberFormat
import java.util.Date
import org.rakelight.core.Grade
import org.rakelight.core.Length
import org.rakelight.core.Moment
import org.rakelight.core.SignKind

/** `60.1 mm ±1.8`. */
fun Context.measure(length: Length): String = getString(R.string.measure, number(length.mm, 1), number(length.halfWidth95Mm, 1))

/** The number large, the rest small. */
fun Context.largeMeasure(length: Length, name: String): CharSequence {
    val (number, uncertainty) = measure(length).split("±")
    return SpannableStringBuilder(number).append("±$uncertainty $name", RelativeSizeSpan(0.6f), Spanned.SPAN_EXCLUSIVE_EXCLUSIVE)
}

fun Context.number(value: Double, decimals: Int = 0): String = NumberFormat.getInstance(resources.configuration.locales[0]).apply {
    minimumFractionDigits = decimals
    maximumFractionDigits = decimals
}.format(value + 0.0) // Else a sum of nothing, -0.0, would be written with its sign.

/** `340 m`. */
fun Context.metres(m: Double): String = getString(R.string.metres, number(m))

/** `14:05`, as the phone writes times. */
fun Context.time(at: Moment): String = DateFormat.getTimeFormat(this).format(Date(at.utcMs))

/** `Sat, 3 October`. */
fun Context.day(at: Moment): String =
    DateUtils.formatDateTime(this, at.utcMs, DateUtils.FORMAT_SHOW_DATE or DateUtils.FORMAT_SHOW_WEEKDAY or DateUtils.FORMAT_ABBREV_WEEKDAY)

/** What kind of sign: its word and its icon. */
val SignKind.word get() = when (this) {
    SignKind.PRINT -> R.string.kind_print
    SignKind.TRAIL -> R.string.kind_trail
    SignKind.DROPPING -> R.string.kind_dropping
    SignKind.FEEDING_REMAINS -> R.string.kind_remains
    SignKind.RESTING_PLACE -> R.string.kind_rest
    SignKind.SLIDE -> R.string.kind_slide
    SignKind.HAIR -> R.string.kind_hair
    SignKind.SIGHTING -> R.string.kind_seen
    SignKind.DEAD_ANIMAL -> R.string.kind_dead
}

val SignKind.icon get() = when (this) {
    SignKind.PRINT -> R.drawable.ic_print
    SignKind.TRAIL -> R.drawable.ic_trail
    SignKind.DROPPING -> R.drawable.ic_dropping
    SignKind.FEEDING_REMAINS -> R.drawable.ic_remains
    SignKind.RESTING_PLACE -> R.drawable.ic_rest
    SignKind.SLIDE -> R.drawable.ic_slide
    SignKind.HAIR -> R.drawable.ic_hair
    SignKind.SIGHTING -> R.drawable.ic_seen
    SignKind.DEAD_ANIMAL -> R.drawable.ic_dead
}

/** How sure a finding is. */
val Grade.word get() = when (this) {
    Grade.NONE -> R.string.grade_none
    Grade.POSSIBLE -> R.string.grade_possible
    Grade.LIKELY -> R.string.grade_likely
    Grade.RECORDED -> R.string.grade_recorded
}
