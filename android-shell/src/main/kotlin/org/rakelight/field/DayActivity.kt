package org.rakelight.field

import android.Manifest.permission.ACCESS_COARSE_LOCATION
import android.Manifest.permission.ACCESS_FINE_LOCATION
import android.Manifest.permission.POST_NOTIFICATIONS
import android.content.Intent
import android.os.Build
import android.view.View
import android.widget.TextView
import java.time.LocalDate
import java.time.ZoneId
import org.rakelight.core.Choice
import org.rakelight.core.Consent
import org.rakelight.core.DaysAsked
import org.rakelight.core.DaysPlanned
import org.rakelight.core.MapDrawn
import org.rakelight.core.Moment
import org.rakelight.core.PlaceGiven
import org.rakelight.core.StretchPlanned
import org.rakelight.core.VisitHead
import org.rakelight.core.VisitLine
import org.rakelight.core.WindowPlanned
import org.rakelight.core.Workspace
import org.rakelight.field.Tide.at
import org.rakelight.field.Tide.isEmptyRow
import org.rakelight.field.Tide.isHigh
import org.rakelight.field.Tide.shore

/** The day ahead: where to, when, what to mind; and the visit begun. */
class DayActivity : FieldScreen() {
    override val draftName = "day"

    private val zone get() = ZoneId.systemDefault()
    private val today get() = app.clock().atZone(zone).toLocalDate()

    private var underWay: VisitLine? = null
    private var places: List<PlaceGiven> = emptyList()
    private var protocols: List<Choice> = emptyList()
    private var chosen: Chosen? = null

    /** What is known of the place that was chosen. */
    private class Chosen(
        val name: String,
        val stretch: StretchPlanned?,
        val map: MapDrawn,
        val tide: Draft,
        val planned: Result<DaysPlanned>?,
        val cautions: List<String>,
    )

    private enum class Step { PLACE, CAUTIONS, BEGIN, TRACK }

    private val step get() = Step.valueOf(draft["step"] ?: Step.PLACE.name)
    private val place get() = draft["place"]
    private val given get() = places.find { it.place == place }

    override fun begin() = Unit

    /** Places may have come by an exchange, or the tide was typed. */
    override fun onResume() {
        super.onResume()
        load()
    }

    private fun load() {
        val me = settings.me
        val today = "$today"
        val visit = settings.visit
        work({ Triple(it.placesGiven(me, today), it.choices().protocols, visit?.let(it::visitLine)) }) { (places, protocols, underWay) ->
            this.places = places
            this.protocols = protocols
            this.underWay = underWay
            // What was prepared on another day is begun anew: cautions are seen once a visit.
            if (!draft.isEmpty && draft["date"] != today) change { Draft() } else answered()
        }
    }

    /** What depends on the answers is asked for anew. */
    override fun answered() {
        val place = place
        if (place == null) {
            chosen = null
            return redraw()
        }
        redraw()
        val at = given?.let { it.lat to it.lon } ?: app.positions.latest?.let { it.lat to it.lon }
        val tidal = draft["tidal"]
        val (date, zone) = today to zone
        work({ core ->
            val tide = Draft.of(core.draft(Tide.draftName(date, place)))
            Chosen(
                name = place,
                stretch = core.stretchOfPlace(place),
                map = core.map(null, place, null),
                tide = tide,
                planned = at?.let { (lat, lon) ->
                    // The table that was typed is this day's alone.
                    val shore = if (tidal == "true") tide.shore(date, zone) else null
                    runCatching { core.planDays(DaysAsked(lat, lon, "$date", if (shore == null) DAYS else 1u, zone.id, shore)) }
                },
                // Where nobody says that there is no tide, its cautions are shown.
                cautions = core.fieldCautions(tidal != "false"),
            )
        }) { chosen = it; redraw() }
    }

    private fun go(step: Step?) {
        hideKeyboard()
        change { if (step == null) Draft() else it.with("step", step.name) }
        page.toTop()
    }

    private fun choose(place: String) {
        hideKeyboard()
        change { Draft().with("date", "$today").with("place", place.trim()) }
        page.toTop()
    }

    @Deprecated("The framework's own; there is no other without AndroidX.")
    override fun onBackPressed() = when {
        place == null || underWay != null -> @Suppress("DEPRECATION") super.onBackPressed()
        step == Step.PLACE -> go(null)
        step == Step.TRACK -> go(Step.BEGIN)
        else -> go(Step.PLACE)
    }

    override fun Page.content() {
        val underWay = underWay
        val chosen = chosen
        when {
            underWay != null -> goOn(underWay)
            settings.me == null -> who()
            place == null -> places()
            chosen == null || chosen.name != place -> prompt(checkNotNull(place))
            step == Step.PLACE -> place(chosen)
            step == Step.CAUTIONS -> cautions(chosen)
            step == Step.BEGIN -> ready()
            step == Step.TRACK -> track()
        }
    }

    private fun Page.goOn(visit: VisitLine) {
        prompt(getString(R.string.day_under_way, visit.place, time(visit.start)))
        second(resources.getQuantityString(R.plurals.signs, visit.signs, visit.signs))
        buttons(Press(getString(R.string.day_go_on), icon = R.drawable.ic_walk) { walk() }, basePress())
    }

    private fun walk() = startActivity(Intent(this, WalkActivity::class.java))

    private fun basePress() = Press(getString(R.string.day_base), quiet = true, icon = R.drawable.ic_base) { startActivity(Intent(this, ExchangeActivity::class.java)) }

    private fun Page.who() {
        prompt(getString(R.string.day_who))
        field(getString(R.string.me_label), draft["me"].orEmpty(), Page.Typing.NAME) { typedToday("me", it) }
        second(getString(R.string.day_who_hint))
        buttons(Press(getString(R.string.done), icon = R.drawable.ic_tick) {
            hideKeyboard()
            settings.me = draft["me"]
            change { Draft() }
            load()
        }, basePress())
    }

    private fun Page.places() {
        prompt(getString(R.string.day_title))
        head(getString(R.string.day_places))
        if (places.isEmpty()) say(getString(R.string.day_no_places))
        places.forEach { given ->
            line("${given.place}: ${given.state}", line(given), R.drawable.ic_walk) { choose(given.place) }
        }
        head(getString(R.string.day_other_place))
        field(getString(R.string.day_place_label), draft["other"].orEmpty(), Page.Typing.NAME) { typedToday("other", it) }
        if (draft["other_asked"] != null && draft["other"] == null) say(getString(R.string.day_place_needed))
        presses(Press(getString(R.string.day_choose), quiet = true, icon = R.drawable.ic_walk) {
            draft["other"]?.let(::choose) ?: change { it.with("other_asked", "1").with("date", "$today") }
        })
        buttons(basePress())
    }

    private fun typedToday(key: String, text: String) = change(quietly = true) { it.with(key, text.ifBlank { null }).with("date", "$today") }

    private fun line(given: PlaceGiven) =
        "${getString(R.string.day_place_line, given.people.joinToString(), day(given.from), day(given.until))}\n${given.land}"

    private fun day(date: String) = day(Moment(LocalDate.parse(date).atStartOfDay(zone).toInstant().toEpochMilli(), 0))

    // The place

    private fun Page.place(chosen: Chosen) {
        val given = given
        prompt(chosen.name)
        if (given == null) second(getString(R.string.day_no_plan)) else {
            if (!given.mayEnter) notToEnter(given)
            second("${given.state} · ${line(given).substringBefore('\n')}")
            say(given.stretchLengthM?.let { getString(R.string.day_stretch, metres(it)) } ?: getString(R.string.day_no_stretch))
            given.protocol?.let { second(it) }
        }
        if (chosen.map.lines.isNotEmpty() || chosen.map.marks.isNotEmpty()) {
            add(MapPanel(this@DayActivity, settings.leftHanded).apply { show(chosen.map) }, (MAP_DP * resources.displayMetrics.density).toInt())
        }
        if (given != null) {
            head(getString(R.string.day_land))
            given.landowner?.let { say(getString(R.string.day_owner, it)) }
            if (given.mayEnter) say(given.land)
            given.notes.forEach { say(it) }
        }
        yesNo("tidal", R.string.day_tidal)
        if (draft["tidal"] == "true") tide(chosen)
        // A time with low sun means nothing while it isn't known where the water is.
        if (draft["tidal"] != "true" || chosen.tide.shore(today, zone) != null) times(chosen)
        head(getString(R.string.day_take))
        getString(R.string.day_take_list).split(" · ").forEach { say("· $it") }
        buttons(
            Press(getString(R.string.day_prepare), icon = R.drawable.ic_walk) { go(if (draft["seen"] == null) Step.CAUTIONS else Step.BEGIN) },
            Press(getString(R.string.back), quiet = true) { go(null) },
        )
    }

    private fun Page.notToEnter(given: PlaceGiven) = alarm(getString(R.string.day_not_enter, given.land.replaceFirstChar(Char::uppercase)))

    private fun Page.tide(chosen: Chosen) {
        val tide = chosen.tide
        val whole = tide.shore(today, zone) != null
        if (!whole) alarm(getString(R.string.day_tide_missing)) else {
            val turns = (0 until Tide.MOST).filterNot { tide.isEmptyRow(it) }.mapNotNull { row ->
                tide.at(row, today, zone)?.let { "${getString(if (tide.isHigh(row)) R.string.table_high else R.string.table_low)} ${time(it)}" }
            }
            second(getString(R.string.day_tide_typed, turns.joinToString()))
            alarm(getString(R.string.table_decides))
        }
        presses(Press(getString(if (whole) R.string.day_change_tide else R.string.day_type_tide), quiet = true, icon = R.drawable.ic_tide) {
            startActivity(Intent(this@DayActivity, TideActivity::class.java).putExtra(PLACE, chosen.name).putExtra(TideActivity.DATE, "$today"))
        })
    }

    private fun Page.times(chosen: Chosen) {
        head(getString(R.string.day_times))
        val planned = chosen.planned ?: return say(getString(R.string.day_no_position)).let {}
        planned.onFailure { tell(it) }.onSuccess { days ->
            if (days.windows.isEmpty()) say(getString(R.string.day_no_window))
            days.windows.sortedBy { it.start.utcMs }.forEach { window(it) }
            days.without.forEach { second(getString(R.string.day_without, day(it.date), it.why)) }
            if (draft["tidal"] == "true") second(getString(R.string.day_today_only))
        }
    }

    private fun Page.window(window: WindowPlanned) {
        head(getString(R.string.day_window, day(window.start), time(window.start), time(window.end)))
        val (turnBack, water) = window.turnBack to window.waterComes
        if (turnBack != null && water != null) alarm(getString(R.string.day_turn_back, time(turnBack), time(water)))
        second(window.why)
    }

    // Before it begins

    private fun Page.cautions(chosen: Chosen) {
        prompt(getString(R.string.day_cautions))
        second(getString(R.string.day_seen_hint))
        chosen.cautions.forEach { say("· $it") }
        presses(Press(getString(R.string.day_seen), icon = R.drawable.ic_tick) {
            change { it.with("seen", "1").with("step", Step.BEGIN.name) }
            page.toTop()
        })
        buttons(Press(getString(R.string.back), quiet = true) { go(Step.PLACE) })
    }

    private fun Page.ready() {
        prompt(getString(R.string.day_expected))
        field(getString(R.string.day_expected_label), settings.expectedBy.orEmpty(), Page.Typing.NAME) { settings.expectedBy = it }
        var wrong: TextView? = null
        field(getString(R.string.day_back_label), draft["back"].orEmpty(), Page.Typing.TIME) { text ->
            answer("back", text.ifBlank { null }, quietly = true)
            wrong?.visibility = if (backIsWrong) View.VISIBLE else View.GONE
        }
        wrong = alarm(getString(R.string.day_time_wrong)).apply { visibility = if (backIsWrong) View.VISIBLE else View.GONE }
        presses(Press(getString(R.string.day_tell), quiet = true, icon = R.drawable.ic_speak, act = ::tellThem))
        second(getString(R.string.day_tell_hint))
        alarm(getString(R.string.day_no_rescue))
        head(getString(R.string.day_people))
        typed("with", R.string.day_people_label)
        if (given?.protocol == null) one("protocol", R.string.day_protocol, protocols.map { it.id to it.text })
        given?.takeIf { !it.mayEnter }?.let { notToEnter(it) }
        buttons(
            Press(getString(R.string.day_begin), icon = R.drawable.ic_walk, act = ::beginVisit),
            Press(getString(R.string.back), quiet = true) { go(Step.PLACE) },
        )
    }

    private val backIsWrong get() = draft["back"]?.let { Tide.timeOfDay(it) == null } ?: (draft["back_asked"] != null)

    /** By the worker's own act, through whatever they choose. */
    private fun tellThem() {
        hideKeyboard()
        val back = draft["back"]?.let(Tide::timeOfDay) ?: return answer("back_asked", "1")
        val backAt = back.atDate(today).atZone(zone).toInstant().toEpochMilli()
        val text = getString(R.string.day_message, place, time(core.now()), time(Moment(backAt, 0)), settings.me)
        startActivity(Intent.createChooser(Intent(Intent.ACTION_SEND).setType("text/plain").putExtra(Intent.EXTRA_TEXT, text), getString(R.string.day_tell)))
    }

    private fun Page.track() {
        prompt(getString(R.string.day_track_title))
        say(getString(R.string.day_track_why))
        buttons(
            Press(getString(R.string.day_track_ask), icon = R.drawable.ic_walk) { requestPermissions(PERMISSIONS, ASKED) },
            Press(getString(R.string.day_track_without), quiet = true, act = ::open),
        )
    }

    private fun beginVisit() = if (app.receiver.state == Receiver.State.REFUSED) go(Step.TRACK) else open()

    /** Whatever was answered, the visit begins. */
    override fun onRequestPermissionsResult(request: Int, permissions: Array<String>, results: IntArray) {
        super.onRequestPermissionsResult(request, permissions, results)
        if (request == ASKED) open()
    }

    private fun open() {
        hideKeyboard()
        val given = given
        val now = core.now()
        val head = VisitHead(
            purpose = getString(R.string.day_purpose),
            targets = listOf("lutra_lutra"),
            protocol = given?.protocol?.let { words -> protocols.find { it.text == words }?.id ?: words } ?: draft["protocol"],
            start = now,
            people = (listOfNotNull(settings.me) + draft.list("with").map(String::trim)).filter(String::isNotEmpty).distinct(),
            placeName = checkNotNull(place),
            landowner = given?.landowner,
            consent = Consent.NONE,
            notice = null,
        )
        work({ it.begin(head, now) }, R.string.day_begins) { visit ->
            settings.turnBackMs = null
            settings.trackPaused = false
            settings.visit = visit
            TrackService.start(app)
            change { Draft() }
            walk()
        }
    }

    private fun Workspace.begin(head: VisitHead, now: Moment): String {
        val visit = openVisit(head, now)
        stretchOfPlace(head.placeName)?.let { walkStretch(visit, it.name, null, it.line, null, now) }
        return visit
    }

    private companion object {
        /** Today and the next two. */
        const val DAYS = 3u
        const val MAP_DP = 260
        const val ASKED = 1
        val PERMISSIONS = listOfNotNull(ACCESS_FINE_LOCATION, ACCESS_COARSE_LOCATION, POST_NOTIFICATIONS.takeIf { Build.VERSION.SDK_INT >= 33 }).toTypedArray()
    }
}
