package org.rakelight.field

import org.rakelight.core.Arrangement
import org.rakelight.core.Content
import org.rakelight.core.Dropping
import org.rakelight.core.Feature
import org.rakelight.core.Foot
import org.rakelight.core.Form
import org.rakelight.core.Moment
import org.rakelight.core.Place
import org.rakelight.core.PrintSeen
import org.rakelight.core.Remains
import org.rakelight.core.Seen
import org.rakelight.core.Setting
import org.rakelight.core.SignForm
import org.rakelight.core.SignKind
import org.rakelight.core.Smell
import org.rakelight.core.Vegetation

/** A sign that is being noted: the screens that do so share one draft, under these names. */
object Signs {
    fun draftName(visit: String, sign: String) = "${draftsOf(visit)}$sign"

    fun draftsOf(visit: String) = "sign/$visit/"

    /** A sign's name within the visit: what it is, and the second in which it was begun. */
    fun newId(kind: SignKind, at: Moment) = "${kind.name.lowercase()}-${at.utcMs / 1000}"

    fun kindOf(sign: String): SignKind = SignKind.valueOf(sign.substringBeforeLast('-').uppercase())

    /** What is known of every sign when it is begun. */
    fun Draft.begun(at: Moment, place: Place?) =
        if (this["time"] != null) this else with("time", "${at.utcMs},${at.offsetMinutes}")
            .with("place", place?.let { "${it.lat},${it.lon},${it.radius68M ?: ""}" })

    /** A photograph more. */
    fun Draft.withPhoto(sha256: String) = with("photos", (list("photos") + sha256).distinct())

    /** All that was said of a sign. */
    fun Draft.toForm(sign: String): SignForm {
        val kind = kindOf(sign)
        return SignForm(
            id = sign,
            kind = kind,
            photos = list("photos"),
            place = place(),
            time = checkNotNull(this["time"]).split(',').let { (ms, offset) -> Moment(ms.toLong(), offset.toInt()) },
            freshness = this["freshness"],
            belowHighWater = this["below_high_water"]?.toBoolean(),
            takenFor = this["taken_for"],
            note = this["note"],
            seen = Seen(
                substrate = this["substrate"],
                setting = this["near_water"]?.let { Setting(nearWater = it.toBoolean(), tidal = this["below_high_water"]?.toBoolean()) },
                prints = if (kind == SignKind.PRINT) listOf(print()) else emptyList(),
                trail = this["trail"],
                dragMark = this["drag_mark"]?.let(Feature::valueOf),
                droppings = if (kind == SignKind.DROPPING) listOf(dropping()) else emptyList(),
                feedingRemains = if (kind == SignKind.FEEDING_REMAINS) list("remains").map { Remains.valueOf(it.uppercase()) } else emptyList(),
            ),
        )
    }

    private fun Draft.place() = this["place"]?.split(',')?.let { (lat, lon, radius) -> Place(lat.toDouble(), lon.toDouble(), radius.toDoubleOrNull()) }

    private fun Draft.print() = PrintSeen(
        sha256 = this["measured"],
        foot = this["foot"]?.let(Foot::valueOf) ?: Foot.UNKNOWN,
        toesSeen = this["toes_seen"]?.toInt(),
        claws = feature("claws"),
        webbing = feature("webbing"),
        heelPad = feature("heel_pad"),
        arrangement = this["arrangement"]?.let(Arrangement::valueOf) ?: Arrangement.NOT_LOOKED,
    )

    private fun Draft.feature(key: String) = this[key]?.let(Feature::valueOf) ?: Feature.NOT_LOOKED

    private fun Draft.dropping() = Dropping(
        contents = list("contents").map { Content.valueOf(it.uppercase()) }.ifEmpty { null },
        form = this["form"]?.let { Form.valueOf(it.uppercase()) } ?: Form.NOT_LOOKED,
        widthMm = this["width_mm"]?.toDecimal(),
        uWidthMm = this["width_mm"]?.toDecimal()?.let { RULER_U_MM },
        lengthMm = this["length_mm"]?.toDecimal(),
        uLengthMm = this["length_mm"]?.toDecimal()?.let { RULER_U_MM },
        smell = this["smell"]?.let { Smell.valueOf(it.uppercase()) } ?: Smell.NOT_LOOKED,
        prominentSpot = this["prominent_spot"]?.toBoolean(),
        vegetation = this["vegetation"]?.let { Vegetation.valueOf(it.uppercase()) } ?: Vegetation.NOT_LOOKED,
    )

    /** Read off a ruler held beside it: the standard uncertainty, mm. Assumed. */
    private const val RULER_U_MM = 1.0
}

/** A number as it is typed here or there: with a point or a comma. */
fun String.toDecimal(): Double? = trim().replace(',', '.').toDoubleOrNull()
