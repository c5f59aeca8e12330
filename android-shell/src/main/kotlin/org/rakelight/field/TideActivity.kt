package org.rakelight.field

import android.view.View
import android.widget.TextView
import java.time.LocalDate
import java.time.ZoneId
import org.rakelight.core.DaysAsked
import org.rakelight.core.Moment
import org.rakelight.field.Tide.at
import org.rakelight.field.Tide.height
import org.rakelight.field.Tide.isEmptyRow
import org.rakelight.field.Tide.isHigh
import org.rakelight.field.Tide.minutes
import org.rakelight.field.Tide.rows
import org.rakelight.field.Tide.shore

/** The day's high and low waters, typed from the official table. What was read is said beside each row at once. */
class TideActivity : FieldScreen() {
    private val date by lazy { LocalDate.parse(checkNotNull(intent.getStringExtra(DATE))) }
    private val place by lazy { checkNotNull(intent.getStringExtra(PLACE)) }
    private val zone get() = ZoneId.systemDefault()
    override val draftName get() = Tide.draftName(date, place)

    /** What is said beside the fields, and what it says now. */
    private val said = mutableListOf<Pair<TextView, () -> Read>>()
    private var incomplete = false

    private sealed interface Read
    private data object Nothing : Read
    private class Fine(val text: String) : Read
    private class Wrong(val text: String) : Read

    override fun begin() = if (draft["first"] == null) change { it.with("first", "high").with("day", "today") } else redraw()

    override fun Page.content() {
        said.clear()
        prompt(getString(R.string.table_title))
        second(getString(R.string.table_hint, day(Moment(date.atStartOfDay(zone).toInstant().toEpochMilli(), 0))))
        alarm(getString(R.string.table_decides))
        if (incomplete) alarm(getString(R.string.table_missing))
        either("first", R.string.table_first, listOf("high" to getString(R.string.table_high), "low" to getString(R.string.table_low)))
        either("day", R.string.table_day, listOf("before" to getString(R.string.table_before), "today" to getString(R.string.table_today)))
        (0 until draft.rows()).forEach { row(it) }
        if (draft.rows() < Tide.MOST) presses(Press(getString(R.string.table_more), quiet = true) { answer("rows", "${draft.rows() + 1}") })
        number("free_below", R.string.table_free) { if (draft["free_below"]?.toDecimal() == null) Wrong(getString(R.string.table_height_wrong)) else Nothing }
        number("back", R.string.table_back) { minutesRead("back") }
        number("margin", R.string.table_margin) { minutesRead("margin") }
        buttons(Press(getString(R.string.table_keep), icon = R.drawable.ic_tick, act = ::keep))
        tell()
    }

    /** One of two; it can be changed, not taken back. */
    private fun Page.either(key: String, label: Int, choices: List<Pair<String, String>>) = choose(getString(label), choices, setOf(draft[key])) { answer(key, it) }

    private fun Page.row(row: Int) {
        val name = "${row + 1}. ${getString(if (draft.isHigh(row)) R.string.table_high else R.string.table_low)}"
        typing("time$row", getString(R.string.table_time, name), Page.Typing.TIME)
        typing("height$row", getString(R.string.table_height, name), Page.Typing.NUMBER)
        says { rowRead(row) }
    }

    private fun rowRead(row: Int): Read {
        if (draft.isEmptyRow(row)) return if (row < Tide.FEWEST && incomplete) Wrong(getString(R.string.table_needed)) else Nothing
        val at = draft.at(row, date, zone) ?: return Wrong(getString(R.string.day_time_wrong))
        val height = draft.height(row) ?: return Wrong(getString(R.string.table_height_wrong))
        return Fine(getString(R.string.table_row_read, day(at), time(at), number(height, 1)))
    }

    private fun minutesRead(key: String) = if (draft.minutes(key) == null) Wrong(getString(R.string.table_minutes_wrong)) else Nothing

    private fun Page.number(key: String, label: Int, read: () -> Read) {
        typing(key, getString(label), Page.Typing.NUMBER)
        says { if (draft[key] != null) read() else if (incomplete) Wrong(getString(R.string.table_needed)) else Nothing }
    }

    private fun Page.typing(key: String, label: String, kind: Page.Typing) =
        field(label, draft[key].orEmpty(), kind) { text -> answer(key, text.ifBlank { null }, quietly = true); tell() }

    private fun Page.says(read: () -> Read) {
        said += second("") to read
    }

    private fun tell() = said.forEach { (view, read) ->
        val read = read()
        view.visibility = if (read == Nothing) View.GONE else View.VISIBLE
        view.text = when (read) {
            is Fine -> read.text
            is Wrong -> read.text
            Nothing -> ""
        }
        view.setTextColor(getColor(if (read is Wrong) R.color.problem else R.color.second))
    }

    /** The core looks through them before they are relied on. */
    private fun keep() {
        hideKeyboard()
        val shore = draft.shore(date, zone)
        incomplete = shore == null
        if (shore == null) {
            redraw()
            page.toTop()
            return
        }
        // Where on earth makes no difference to the table.
        work({ it.planDays(DaysAsked(0.0, 0.0, date.toString(), 1u, zone.id, shore)) }) { finish() }
    }

    companion object {
        const val DATE = "date"
    }
}
