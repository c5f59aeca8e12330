package org.rakelight.field

import android.content.Intent
import android.text.format.Formatter
import java.util.Locale
import org.rakelight.core.ExchangeOutcome
import org.rakelight.core.ExchangeProgress
import org.rakelight.core.ExchangeStep
import org.rakelight.core.KnownBase
import org.rakelight.core.Stored
import org.rakelight.core.Workspace

/** The exchange with the base, and what is set once for all visits. */
class ExchangeActivity : FieldScreen() {
    override val draftName = "exchange"

    private var bases: List<KnownBase> = emptyList()
    private var stored: Stored? = null
    private var step: Pair<ExchangeStep, Long>? = null
    private var running = false

    @Volatile
    private var goingOn = true

    var outcome: ExchangeOutcome? = null
        private set

    override fun begin() {
        val invitation = intent.getStringExtra(INVITATION)
        if (invitation == null) look() else {
            intent.removeExtra(INVITATION)
            exchange { workspace, progress -> workspace.join(invitation, PinnedHttps.connections, progress, settings.photographsIn) }
        }
    }

    /** What the scanner read. */
    override fun onNewIntent(intent: Intent) {
        super.onNewIntent(intent)
        setIntent(intent)
        begin()
    }

    override fun answered() = look()

    private fun look() = work({ it.bases() to it.stored() }, R.string.busy_open) { (bases, stored) ->
        this.bases = bases
        this.stored = stored
        redraw()
    }

    private fun exchange(work: (Workspace, ExchangeProgress) -> ExchangeOutcome) {
        goingOn = true
        running = true
        outcome = null
        val progress = object : ExchangeProgress {
            override fun at(step: ExchangeStep, done: Long): Boolean {
                page.root.post { this@ExchangeActivity.step = step to done; redraw() }
                return goingOn
            }
        }
        redraw()
        workLong({ work(it, progress) }, finally = { running = false; step = null }) {
            outcome = it
            if (draft.isEmpty) look() else change { Draft() }
        }
    }

    override fun Page.content() {
        prompt(getString(R.string.base_title))
        if (running) return underWay()
        outcome?.let { told(it) }
        if (bases.isEmpty()) say(getString(R.string.base_none)) else say(getString(R.string.base_at, bases.first().address))
        if (draft["typing"] != null) {
            typed("invitation", R.string.invitation_label)
        }
        second(getString(R.string.privacy))
        setUp()
        val base = bases.firstOrNull()
        buttons(
            base?.let { Press(getString(R.string.exchange_now), icon = R.drawable.ic_base) { exchange { workspace, progress -> workspace.exchange(it.address, PinnedHttps.connections, progress, settings.photographsIn) } } },
            Press(getString(R.string.join_scan), quiet = base != null, icon = R.drawable.ic_photo) { startActivity(Intent(this@ExchangeActivity, ScanActivity::class.java)) },
            if (draft["typing"] == null) Press(getString(R.string.join_type), quiet = true) { answer("typing", "1") }
            else Press(getString(R.string.join), quiet = true, act = ::joinTyped),
        )
    }

    private fun joinTyped() {
        hideKeyboard()
        val invitation = draft["invitation"].orEmpty().filterNot(Char::isWhitespace)
        exchange { workspace, progress ->
            workspace.join(invitation, PinnedHttps.connections, progress, settings.photographsIn)
        }
    }

    private fun Page.underWay() {
        say(getString(R.string.exchanging))
        step?.let { (step, done) -> measure(words(step, done)) }
        buttons(Press(getString(R.string.stop)) { goingOn = false })
    }

    private fun words(step: ExchangeStep, done: Long) = when (step) {
        ExchangeStep.ENTRIES_IN -> getString(R.string.step_entries_in, done)
        ExchangeStep.ENTRIES_OUT -> getString(R.string.step_entries_out, done)
        ExchangeStep.PHOTOGRAPHS_IN -> getString(R.string.step_photos_in, size(done))
        ExchangeStep.PHOTOGRAPHS_OUT -> getString(R.string.step_photos_out, size(done))
    }

    private fun size(bytes: Long) = Formatter.formatShortFileSize(this, bytes)

    private fun Page.told(outcome: ExchangeOutcome) {
        head(getString(R.string.exchange_done))
        say(getString(R.string.outcome_out, outcome.entriesOut, outcome.photographsOut))
        say(getString(R.string.outcome_in, outcome.entriesIn, outcome.photographsIn))
        if (outcome.photographsMissing > 0) second(getString(R.string.outcome_missing, outcome.photographsMissing))
        outcome.refused.sumOf { it.entries }.takeIf { it > 0 }?.let { alarm(getString(R.string.outcome_refused, it)) }
        outcome.photographsRefused.forEach { alarm(getString(R.string.outcome_photo_refused, it.why)) }
        if (outcome.forked.isNotEmpty()) alarm(getString(R.string.outcome_forked))
    }

    private fun Page.setUp() {
        field(getString(R.string.me_label), settings.me.orEmpty(), Page.Typing.NAME) { settings.me = it }
        switch(R.string.alone_label, settings.exchangesAlone) { settings.exchangesAlone = it; WifiExchange.plan(app) }
        switch(R.string.photos_in_label, settings.photographsIn) { settings.photographsIn = it }
        switch(R.string.hand_label, settings.leftHanded, R.string.hand_left, R.string.hand_right) { settings.leftHanded = it; recreate() }
        val languages = listOf("" to getString(R.string.language_phone)) + Language.ALL.map { it to getString(spoken(it)) }
        choose(getString(R.string.language_label), languages, setOf(settings.language.orEmpty())) { speak(it) }
        field(getString(R.string.check_line_label), settings.checkLineMm.orEmpty(), Page.Typing.NUMBER) { text ->
            settings.checkLineMm = text.takeIf { (it.toDecimal() ?: 0.0) in CHECK_LINE_MM }
        }
        second(getString(R.string.check_line_hint))
        stored?.let {
            head(getString(R.string.stored_head))
            say(getString(R.string.stored_line, it.visits, it.entries, it.photographs, size(it.photographBytes)))
        }
    }

    private fun Page.switch(label: Int, on: Boolean, yes: Int = R.string.yes, no: Int = R.string.no, set: (Boolean) -> Unit) =
        choose(getString(label), listOf("true" to getString(yes), "false" to getString(no)), setOf("$on")) { set(it.toBoolean()); redraw() }

    private fun spoken(language: String) = when (language) {
        "de" -> R.string.language_de
        "fr" -> R.string.language_fr
        "es" -> R.string.language_es
        "pl" -> R.string.language_pl
        else -> R.string.language_en
    }

    private fun speak(language: String) {
        settings.language = language
        Locale.setDefault(Language.of(this))
        recreate()
    }

    companion object {
        const val INVITATION = "invitation"

        /** What a card's printed line of 100 mm may measure. */
        private val CHECK_LINE_MM = 80.0..120.0
    }
}
