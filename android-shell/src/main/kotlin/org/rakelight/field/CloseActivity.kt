package org.rakelight.field

import android.content.Intent
import org.rakelight.core.Finding
import org.rakelight.core.StretchSearched
import org.rakelight.core.Weather

/** The visit closed: what was and wasn't searched, what the day was like, what was found and what that means. */
class CloseActivity : FieldScreen() {
    private val visit by lazy { checkNotNull(intent.getStringExtra(VISIT)) }
    override val draftName get() = "close/$visit"

    private var searched: List<StretchSearched> = emptyList()
    private var findings: List<Finding> = emptyList()
    private var unfinished: List<String> = emptyList()
    private var signs = 0

    private class Known(val unfinished: List<String>, val searched: List<StretchSearched>, val findings: List<Finding>, val signs: Int)

    override fun begin() = Unit

    /** Signs may have been finished or taken back meanwhile. */
    override fun onResume() {
        super.onResume()
        work({ workspace ->
            workspace.endTrack(visit)
            Known(workspace.drafts(Signs.draftsOf(visit)), workspace.searched(visit), workspace.findings(visit), workspace.visitLine(visit).signs)
        }, R.string.busy_findings) { known ->
            unfinished = known.unfinished
            searched = known.searched
            findings = known.findings
            signs = known.signs
            redraw()
        }
    }

    /** The day decides what an absence means. */
    override fun answered() {
        redraw()
        val weather = weather()
        work({ workspace ->
            workspace.setWeather(visit, weather, core.now())
            workspace.findings(visit)
        }) { findings = it; redraw() }
    }

    private fun weather() = Weather(
        daysWithoutRain = draft["rain"]?.toIntOrNull(),
        waterLevel = draft["water"],
        holdsPrintsShare = draft["ground"]?.toDouble(),
        tide = draft["tide"],
        light = draft["light"],
        note = draft["note"],
    )

    private fun close() {
        hideKeyboard()
        val weather = weather()
        work({ workspace ->
            workspace.endTrack(visit)
            workspace.setWeather(visit, weather, core.now())
            workspace.closeVisit(visit, core.now(), core.now())
            finished(workspace)
        }, R.string.busy_write) {
            stopService(Intent(this, TrackService::class.java))
            settings.visit = null
            startActivity(Intent(this, SummaryActivity::class.java).putExtra(VISIT, visit))
            finish()
        }
    }

    override fun Page.content() {
        prompt(getString(R.string.close_title))
        if (unfinished.isNotEmpty()) {
            head(getString(R.string.close_unfinished))
            unfinished.forEach { name ->
                val kind = Signs.kindOf(name.removePrefix(Signs.draftsOf(visit)))
                line(getString(kind.word), icon = kind.icon) { startActivity(signScreen(visit, name.removePrefix(Signs.draftsOf(visit)))) }
            }
        }
        searched()
        day()
        found()
        second(getString(R.string.close_hint))
        buttons(Press(getString(R.string.close_now), icon = R.drawable.ic_close, act = ::close))
    }

    private fun Page.searched() {
        head(getString(R.string.close_searched))
        if (searched.isEmpty()) say(getString(R.string.no_stretch))
        searched.forEach { say(getString(R.string.searched_of, it.name, metres(it.coveredM), metres(it.lengthM), metres(1.96 * it.uCoveredM))) }
        val gaps = searched.flatMap { it.gaps }
        if (gaps.isNotEmpty()) {
            head(getString(R.string.close_not_searched))
            gaps.forEach { say(getString(R.string.gap_from_to, metres(it.fromM), metres(it.toM))) }
        }
    }

    private fun Page.day() {
        prompt(getString(R.string.close_day))
        typed("rain", R.string.rain_days, Page.Typing.NUMBER)
        one("water", R.string.water_label, listOf("low" to R.string.water_low, "normal" to R.string.water_normal, "high" to R.string.water_high, "flood" to R.string.water_flood).texts())
        one("tide", R.string.tide_label, listOf("falling" to R.string.tide_falling, "low" to R.string.tide_low, "rising" to R.string.tide_rising, "high" to R.string.tide_high).texts())
        one("ground", R.string.ground_label, listOf("0.2" to R.string.ground_little, "0.5" to R.string.ground_half, "0.8" to R.string.ground_most).texts())
        typed("light", R.string.light_label, Page.Typing.WORDS)
        typed("note", R.string.note_label, Page.Typing.WORDS)
    }

    private fun List<Pair<String, Int>>.texts() = map { (id, text) -> id to getString(text) }

    private fun Page.found() {
        head(getString(R.string.close_findings))
        if (signs == 0) say(getString(R.string.nothing_found))
        findings.forEach { finding ->
            if (finding.absence.isNotEmpty()) finding.absence.forEach { say(it) }
            else {
                val signs = resources.getQuantityString(R.plurals.signs, finding.signs.size, finding.signs.size)
                say(getString(R.string.finding_line, finding.name, getString(finding.grade.word), signs))
                finding.rule?.let { second(it) }
            }
        }
    }
}
