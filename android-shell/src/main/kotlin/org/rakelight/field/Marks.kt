package org.rakelight.field

import org.rakelight.core.Foot
import org.rakelight.core.Mark
import org.rakelight.core.Marks
import org.rakelight.core.Point
import org.rakelight.core.ScaleBy
import org.rakelight.core.Side

/** The points that are marked on a print, in the order in which they are asked for. */
enum class Landmark(val key: String, val prompt: Int) {
    WIDEST_LEFT("widest_left", R.string.mark_widest_left),
    WIDEST_RIGHT("widest_right", R.string.mark_widest_right),
    TOE_TIP("toe_3_tip", R.string.mark_toe_tip),
    PAD_REAR("pad_rear", R.string.mark_pad_rear),
    HEEL_REAR("heel_rear", R.string.mark_heel_rear),
}

/** What gives the scale, and how many points of it are touched. */
enum class ScaleThing(val word: Int, val points: Int) {
    CARD(R.string.scale_card, 0),
    RULER(R.string.scale_ruler, 2),
    BANK_CARD(R.string.scale_bank_card, 4),
    A4(R.string.scale_a4, 4),
    A5(R.string.scale_a5, 4),
}

/** What a print's draft says of marks and scale. */
val Draft.scaleThing get() = this["scale"]?.let(ScaleThing::valueOf) ?: ScaleThing.CARD
val Draft.scalePoints get() = list("scale_points").map(::point)
val Draft.middle get() = this["middle"]?.let(::point)

fun Draft.mark(landmark: Landmark): Point? = this["mark.${landmark.key}"]?.let(::point)

fun Draft.with(landmark: Landmark, at: Point?) = with("mark.${landmark.key}", at?.let(::text))

fun Draft.marked() = Landmark.entries.mapNotNull { landmark -> mark(landmark)?.let { landmark to it } }

/** What is still to be marked; a heel that doesn't show isn't. */
val Draft.nextLandmark get() = Landmark.entries.firstOrNull { mark(it) == null && !(it == Landmark.HEEL_REAR && this["no_heel"] != null) }

/** What gives the scale; null while it is still being touched or typed. */
fun Draft.scaleBy(checkLineMm: Double?): ScaleBy? {
    val points = scalePoints
    if (points.size < scaleThing.points) return null
    return when (scaleThing) {
        ScaleThing.CARD -> ScaleBy.Card(checkLineMm)
        ScaleThing.RULER -> this["ruler_mm"]?.toDecimal()?.let { ScaleBy.Ruler(points[0], points[1], it) }
        ScaleThing.BANK_CARD -> ScaleBy.BankCard(points)
        ScaleThing.A4 -> ScaleBy.SheetA4(points)
        ScaleThing.A5 -> ScaleBy.SheetA5(points)
    }
}

fun Draft.toMarks() = Marks(
    print = "p1",
    foot = this["foot"]?.let(Foot::valueOf) ?: Foot.UNKNOWN,
    side = Side.UNKNOWN,
    points = marked().map { (landmark, at) -> Mark(landmark.key, at) },
    uPx = this["u_px"]?.toDouble() ?: 2.0,
)

fun text(at: Point) = "${at.x},${at.y}"

fun point(text: String) = text.split(',').let { (x, y) -> Point(x.toDouble(), y.toDouble()) }
