package org.rakelight.field

import android.Manifest.permission.ACCESS_COARSE_LOCATION
import android.Manifest.permission.ACCESS_FINE_LOCATION
import android.content.Intent
import android.net.Uri
import android.os.Handler
import android.os.Looper
import android.provider.Settings.ACTION_APPLICATION_DETAILS_SETTINGS
import android.provider.Settings.ACTION_LOCATION_SOURCE_SETTINGS
import android.widget.LinearLayout
import android.widget.TextView
import java.time.Instant
import java.time.LocalDate
import java.time.ZoneId
import org.rakelight.core.Fix
import org.rakelight.core.MapDrawn
import org.rakelight.core.ShoreNow
import org.rakelight.core.ShoreState
import org.rakelight.core.SignKind
import org.rakelight.core.SignLine
import org.rakelight.core.VisitLine
import org.rakelight.core.Walking
import org.rakelight.core.Moment
import org.rakelight.field.Tide.shore

/** The walk: where it stands, when to turn back, and a press for each kind of sign. */
class WalkActivity : FieldScreen() {
    private val visit by lazy { intent.getStringExtra(VISIT) ?: settings.visit.orEmpty() }
    override val draftName get() = "walk/$visit"

    /** What the core says of the walk now. */
    private class Now(val line: VisitLine, val walking: Walking, val map: MapDrawn, val signs: List<SignLine>, val begun: List<String>, val tideTyped: Boolean, val tideWhole: Boolean)

    private var now: Now? = null
    private var asking = false
    private val later = Handler(Looper.getMainLooper())

    private val panel by lazy { MapPanel(this, settings.leftHanded) }

    /** What changes while one walks; the buttons below it stay where the thumb is. */
    private val standing by lazy { LinearLayout(this).apply { orientation = LinearLayout.VERTICAL } }

    override fun begin() = Unit

    override fun onResume() {
        super.onResume()
        if (settings.visit != visit) return finish()
        TrackService.start(app)
        refresh()
    }

    override fun onPause() {
        later.removeCallbacksAndMessages(null)
        super.onPause()
    }

    /** Asks how the walk stands, and asks again after a while. */
    private fun refresh() {
        later.removeCallbacksAndMessages(null)
        later.postDelayed(::refresh, EVERY_MS)
        if (asking) return
        asking = true
        val at = core.now()
        val place = app.positions.latest
        val known = now?.line
        val here = place?.let { Fix(at, it.lat, it.lon, it.radius68M) }
        work({ core ->
            // Place and start stay: the visit needn't be read again for them.
            val line = known ?: core.visitLine(visit)
            val date = date(line.start)
            val tide = Draft.of(core.draft(Tide.draftName(date, line.place)))
            val shore = tide.shore(date, ZoneId.systemDefault())
            Now(line, core.walking(visit, shore, at, here), core.map(visit, null, here), core.signs(visit), core.drafts(Signs.draftsOf(visit)), !tide.isEmpty, shore != null)
        }, finally = { asking = false }, done = ::told)
    }

    private fun told(now: Now) {
        val before = this.now
        this.now = now
        app.turnBack.set(now.walking.shore?.turnBack)
        if (before != null && urgency(now) > urgency(before)) page.toTop()
        panel.show(now.map)
        // What is being typed isn't disturbed.
        val typing = draft["mode"] == NOTE || draft["mode"] == BACK
        if (before == null || !typing && (before.signs != now.signs || before.begun != now.begun)) redraw() else stand()
    }

    private fun date(at: Moment): LocalDate = Instant.ofEpochMilli(at.utcMs).atZone(ZoneId.systemDefault()).toLocalDate()

    override fun Page.content() {
        val now = now ?: return prompt(getString(R.string.busy_open)).let {}
        when (draft["mode"]) {
            NOTE -> note()
            SIGNS -> signs(now)
            BACK -> takingBack(now)
            else -> walk(now)
        }
    }

    private fun mode(mode: String?, more: (Draft) -> Draft = { it }) {
        hideKeyboard()
        change { more(it.with("mode", mode)) }
        page.toTop()
    }

    private fun Page.walk(now: Now) {
        look(panel)
        stand()
        add(standing)
        if (now.begun.isNotEmpty()) head(getString(R.string.walk_unfinished))
        now.begun.map { it.removePrefix(Signs.draftsOf(visit)) }.forEach { sign ->
            val begunAt = Moment(sign.substringAfterLast('-').toLong() * 1000, 0)
            line(getString(Signs.kindOf(sign).word), getString(R.string.walk_begun_at, time(begunAt)), Signs.kindOf(sign).icon) { startActivity(signScreen(visit, sign)) }
        }
        head(getString(R.string.walk_found))
        presses(*SignKind.entries.filterNot { it in MOST_NEEDED }.map { signPress(it, quiet = true) }.toTypedArray())
        presses(
            Press("${getString(R.string.walk_signs)}: ${now.signs.size}", quiet = true, icon = R.drawable.ic_tick) { mode(SIGNS) },
            Press(getString(R.string.walk_note), quiet = true, icon = R.drawable.ic_note) { mode(NOTE) },
            trackPress(),
            Press(getString(R.string.walk_tide), quiet = true, icon = R.drawable.ic_tide) {
                startActivity(Intent(this@WalkActivity, TideActivity::class.java).putExtra(PLACE, now.line.place).putExtra(TideActivity.DATE, "${date(now.line.start)}"))
            },
            Press(getString(R.string.walk_close), quiet = true, icon = R.drawable.ic_close) { startActivity(Intent(this@WalkActivity, CloseActivity::class.java).putExtra(VISIT, visit)) },
        )
        buttons(*MOST_NEEDED.map { signPress(it, quiet = false) }.toTypedArray())
    }

    private fun signPress(kind: SignKind, quiet: Boolean) = Press(getString(kind.word), quiet, kind.icon) { noted(kind) }

    private fun noted(kind: SignKind) {
        val sign = Signs.newId(kind, core.now())
        val screen = if (kind == SignKind.PRINT) cameraScreen(visit, sign) else signScreen(visit, sign)
        startActivity(screen)
    }

    private fun trackPress() = when {
        app.receiver.state == Receiver.State.REFUSED -> Press(getString(R.string.walk_allow), quiet = true, icon = R.drawable.ic_here, act = ::allow)
        app.receiver.state == Receiver.State.SWITCHED_OFF -> Press(getString(R.string.walk_switch_on), quiet = true, icon = R.drawable.ic_here) { startActivity(Intent(ACTION_LOCATION_SOURCE_SETTINGS)) }
        settings.trackPaused -> Press(getString(R.string.walk_resume), quiet = true, icon = R.drawable.ic_walk) { TrackService.resume(app); redraw() }
        else -> Press(getString(R.string.walk_pause), quiet = true, icon = R.drawable.ic_walk) { TrackService.pause(app); redraw() }
    }

    /** Where the system doesn't ask any more, its own page does it. */
    private fun allow() {
        if (shouldShowRequestPermissionRationale(ACCESS_FINE_LOCATION) || draft["asked"] == null) {
            answer("asked", "1", quietly = true)
            requestPermissions(arrayOf(ACCESS_FINE_LOCATION, ACCESS_COARSE_LOCATION), 1)
        } else startActivity(Intent(ACTION_APPLICATION_DETAILS_SETTINGS, Uri.fromParts("package", packageName, null)))
    }

    // How it stands

    /** Written over and over, without touching the rest of the page. */
    private fun stand() {
        val now = now ?: return
        standing.removeAllViews()
        shore(now)
        val stretch = now.walking.stretch
        if (stretch == null) put(R.style.Say, getString(R.string.walk_no_stretch, metres(now.walking.walkedM))) else {
            put(R.style.Say_Measure, getString(R.string.walk_covered, number(stretch.coveredM), metres(stretch.lengthM)))
            val minutes = resources.getQuantityString(R.plurals.minutes, stretch.minutes.toInt(), stretch.minutes.toInt())
            put(R.style.Say_Second, getString(R.string.walk_uncertain, metres(1.96 * stretch.uCoveredM), minutes))
            stretch.awayM?.takeIf { it > AWAY_M }?.let { put(R.style.Say, getString(R.string.walk_away, metres(it))) }
        }
        receiver()
        put(R.style.Say_Second, getString(R.string.walk_title, now.line.place, time(now.line.start)))
    }

    private fun receiver() {
        val radius = app.positions.latest?.let { it.radius68M ?: Double.MAX_VALUE }
        when {
            app.receiver.state == Receiver.State.REFUSED -> put(R.style.Say_Prompt, getString(R.string.walk_refused))
            app.receiver.state == Receiver.State.SWITCHED_OFF -> put(R.style.Say_Prompt, getString(R.string.walk_receiver_off))
            settings.trackPaused -> put(R.style.Say_Prompt, getString(R.string.walk_paused))
            radius == null -> put(R.style.Say, getString(R.string.walk_none))
            else -> {
                val word = if (radius <= GOOD_M) R.string.walk_good else if (radius <= COARSEST_M) R.string.walk_fair else R.string.walk_poor
                put(R.style.Say, getString(word, if (radius == Double.MAX_VALUE) "?" else metres(radius)))
            }
        }
    }

    private fun shore(now: Now) {
        now.walking.shoreUnknown?.let { put(R.style.Say_Alarm, it) }
        if (now.tideTyped && !now.tideWhole) put(R.style.Say_Alarm, getString(R.string.walk_tide_half))
        val shore = now.walking.shore ?: return
        when (shore.state) {
            ShoreState.NOT_YET_FREE -> put(R.style.Say_Alarm, getString(R.string.walk_not_free, time(shore.freeFrom)))
            ShoreState.FREE -> minutes(shore)
            ShoreState.TURN_BACK -> {
                large(getString(R.string.walk_now), R.color.problem)
                put(R.style.Say_Alarm, getString(R.string.walk_late, minutesLong(-shore.minutesToTurnBack), time(shore.waterComes)))
            }
            ShoreState.COVERED -> put(R.style.Say_Alarm, getString(R.string.walk_water)).textSize = WATER_SP
        }
    }

    /** What has become more urgent is shown, wherever the page was scrolled to. */
    private fun urgency(now: Now): Int = now.walking.shore?.let { shore ->
        when (shore.state) {
            ShoreState.NOT_YET_FREE -> 0
            ShoreState.FREE -> if (isSoon(shore)) 1 else 0
            ShoreState.TURN_BACK -> 2
            ShoreState.COVERED -> 3
        }
    } ?: 0

    private fun isSoon(shore: ShoreNow) = shore.minutesToTurnBack <= SOON_MIN

    private fun minutes(shore: ShoreNow) {
        val soon = isSoon(shore)
        large(getString(R.string.walk_minutes, number(shore.minutesToTurnBack.toDouble())), if (soon) R.color.problem else R.color.text)
        if (soon) put(R.style.Say_Alarm, getString(R.string.walk_soon, time(shore.turnBack)))
        else put(R.style.Say, getString(R.string.walk_to_turn_back, time(shore.turnBack)))
    }

    private fun minutesLong(minutes: Long) = resources.getQuantityString(R.plurals.minutes, minutes.toInt(), minutes.toInt())

    private fun put(style: Int, text: CharSequence) = TextView(this, null, 0, style).apply { this.text = text }.also(standing::addView)

    private fun large(text: String, colour: Int) = put(R.style.Say_Measure, text).apply {
        textSize = LARGE_SP
        setTextColor(getColor(colour))
    }

    // What was noted

    private fun Page.signs(now: Now) {
        prompt(getString(R.string.walk_signs))
        if (now.signs.isEmpty()) say(getString(R.string.walk_no_signs))
        now.signs.forEach { sign -> line(name(sign), below(sign), sign.kind.icon) { mode(BACK) { it.with("back_of", sign.id) } } }
        buttons(Press(getString(R.string.back)) { mode(null) })
    }

    private fun name(sign: SignLine) = listOfNotNull(getString(sign.kind.word), sign.time?.let(::time)).joinToString(", ")

    private fun below(sign: SignLine) = listOfNotNull(sign.maker?.let { "$it: ${getString(sign.grade.word)}" }, sign.note).joinToString("\n")

    private fun Page.takingBack(now: Now) {
        val sign = now.signs.find { it.id == draft["back_of"] } ?: return signs(now)
        prompt(getString(R.string.walk_withdraw))
        say(name(sign))
        say(below(sign))
        typed("why", R.string.walk_why)
        if (draft["why_asked"] != null && draft["why"] == null) say(getString(R.string.walk_why_needed))
        buttons(
            Press(getString(R.string.walk_take_back), icon = R.drawable.ic_undo) { withdraw(sign) },
            Press(getString(R.string.walk_leave), quiet = true) { leave(SIGNS) },
        )
    }

    private fun leave(mode: String?) = mode(mode) { it.with("back_of", null as String?).with("why", null as String?).with("why_asked", null as String?) }

    private fun withdraw(sign: SignLine) {
        val why = draft["why"] ?: return answer("why_asked", "1")
        work({ it.withdrawSign(visit, sign.id, why, core.now()) }) {
            leave(SIGNS)
            refresh()
        }
    }

    private fun Page.note() {
        prompt(getString(R.string.walk_note))
        typed("note", R.string.walk_note_label)
        buttons(
            Press(getString(R.string.walk_note_keep), icon = R.drawable.ic_tick, act = ::keepNote),
            Press(getString(R.string.back), quiet = true) { mode(null) },
        )
    }

    private fun keepNote() {
        val text = draft["note"] ?: return mode(null)
        val place = app.positions.latest
        work({ it.note(visit, text, place, core.now()) }) { mode(null) { it.with("note", null as String?) } }
    }

    @Deprecated("The framework's own; there is no other without AndroidX.")
    override fun onBackPressed() = if (draft["mode"] == null) @Suppress("DEPRECATION") super.onBackPressed() else leave(null)

    private companion object {
        const val NOTE = "note"
        const val SIGNS = "signs"
        const val BACK = "back"

        /** At the thumb without scrolling. */
        val MOST_NEEDED = listOf(SignKind.PRINT, SignKind.DROPPING)

        /** `walking` reads the whole track. */
        const val EVERY_MS = 10_000L

        /** Half of what a sign's place is asked to be known to. Assumed. */
        const val GOOD_M = 10.0

        /** What the track still takes: core/data/recording.toml. */
        const val COARSEST_M = 25.0

        /** Farther from the stretch isn't on it: reach_m in core/data/effort.toml. */
        const val AWAY_M = 25.0
        const val SOON_MIN = 15
        const val LARGE_SP = 48f
        const val WATER_SP = 30f
    }
}
