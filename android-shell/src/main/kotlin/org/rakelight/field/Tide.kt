package org.rakelight.field

import java.time.LocalDate
import java.time.LocalTime
import java.time.ZoneId
import org.rakelight.core.Moment
import org.rakelight.core.ShoreAsked
import org.rakelight.core.TideTurn

/** High and low waters of a day and place as the worker types them from the official table, kept as a draft. */
object Tide {
    const val FEWEST = 2
    const val MOST = 5

    fun draftName(date: LocalDate, place: String) = "tide/$date/$place"

    /** High and low water follow each other: which one a row is depends on the first. */
    fun Draft.isHigh(row: Int) = (this["first"] != "low") == (row % 2 == 0)

    fun Draft.rows() = (this["rows"]?.toInt() ?: FEWEST + 1)

    fun Draft.isEmptyRow(row: Int) = this["time$row"] == null && this["height$row"] == null

    /** When a row is, by the phone's zone: the rows are in order of time, so that an earlier hour than the one above is the next day's. Null where it can't be read. */
    fun Draft.at(row: Int, date: LocalDate, zone: ZoneId): Moment? {
        var day = if (this["day"] == "before") date.minusDays(1) else date
        var last: LocalTime? = null
        for (i in 0..row) {
            if (isEmptyRow(i) && i < row) return null
            val time = timeOfDay(this["time$i"] ?: return null) ?: return null
            if (last != null && time <= last) day = day.plusDays(1)
            last = time
        }
        val at = day.atTime(last).atZone(zone)
        return Moment(at.toInstant().toEpochMilli(), at.offset.totalSeconds / 60)
    }

    /** What the core is asked with; null where something is missing or can't be read. */
    fun Draft.shore(date: LocalDate, zone: ZoneId): ShoreAsked? {
        val filled = (0 until MOST).filterNot { isEmptyRow(it) }
        if (filled.size < FEWEST) return null
        val turns = filled.map { row -> TideTurn(at(row, date, zone) ?: return null, height(row) ?: return null, isHigh(row)) }
        return ShoreAsked(
            turns = turns,
            freeBelowM = this["free_below"]?.toDecimal() ?: return null,
            walkMinutes = minutes("back") ?: return null,
            marginMinutes = minutes("margin") ?: return null,
            pastLowWater = false,
        )
    }

    fun Draft.height(row: Int): Double? = this["height$row"]?.toDecimal()

    fun Draft.minutes(key: String): UInt? = this[key]?.trim()?.toUIntOrNull()

    /** `6:05`, `06.05`, `6h05`, `605`. Null where it is no time of day. */
    fun timeOfDay(text: String): LocalTime? {
        val (hour, minute) = TIME.matchEntire(text.trim())?.destructured ?: return null
        return runCatching { LocalTime.of(hour.toInt(), minute.toInt()) }.getOrNull()
    }

    private val TIME = Regex("""(\d{1,2})(?:\s*[:.,h\s]\s*)?(\d\d)""")
}
