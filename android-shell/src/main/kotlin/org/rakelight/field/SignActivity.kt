package org.rakelight.field

import android.content.Intent
import android.speech.RecognizerIntent
import android.widget.LinearLayout
import org.rakelight.core.Answer
import org.rakelight.core.Choice
import org.rakelight.core.Choices
import org.rakelight.core.Sample
import org.rakelight.core.SignKind
import org.rakelight.field.Signs.begun
import org.rakelight.field.Signs.toForm
import org.rakelight.field.Signs.withPhoto

/** A sign that is neither print nor trail: what it looks like, where it lies, whether some of it was taken along. */
class SignActivity : FieldScreen() {
    private val visit by lazy { checkNotNull(intent.getStringExtra(VISIT)) }
    private val sign by lazy { checkNotNull(intent.getStringExtra(SIGN)) }
    private val kind by lazy { Signs.kindOf(sign) }
    override val draftName get() = Signs.draftName(visit, sign)

    private var choices: Choices? = null
    private var freshness: List<Choice> = emptyList()
    private var caution: String? = null

    var answer: Answer? = null
        private set

    override fun begin() = work({ Triple(it.choices(), it.freshness(kind), it.signCaution(kind)) }, R.string.busy_open) { (choices, freshness, caution) ->
        this.choices = choices
        this.freshness = freshness
        this.caution = caution
        if (draft["time"] == null) change { it.begun(core.now(), app.positions.latest) } else answered()
    }

    /** A photograph that was just taken for this sign. */
    override fun onNewIntent(intent: Intent) {
        super.onNewIntent(intent)
        intent.getStringExtra(PHOTO)?.let { sha256 -> change { it.withPhoto(sha256) } }
    }

    override fun answered() {
        redraw()
        if (kind != SignKind.DROPPING && kind != SignKind.FEEDING_REMAINS) return
        val form = draft.toForm(sign)
        work({ it.wouldBe(visit, form) }) { answer = it; redraw() }
    }

    private fun keep() {
        hideKeyboard()
        val form = draft.toForm(sign).let { form -> form.copy(note = listOfNotNull(form.note, told()).joinToString("\n").ifEmpty { null }) }
        val sample = sample()
        work({ workspace ->
            workspace.noteSign(visit, form, core.now())
            sample?.let { workspace.takeSample(visit, it, core.now()) }
            finished(workspace)
        }, R.string.busy_write) { finish() }
    }

    private fun told() = draft["told"]?.let { "${getString(R.string.told_label)} $it" }

    private fun sample(): Sample? {
        if (draft["taken"] != "true") return null
        return Sample(draft["pot"].orEmpty(), sign, draft["held_by"] ?: settings.me.orEmpty(), core.now(), draft["sample_note"])
    }

    private fun photograph() = startActivity(cameraScreen(visit, sign))

    /** The system's own recogniser, where there is one; without the network where it can. */
    private val speech = Intent(RecognizerIntent.ACTION_RECOGNIZE_SPEECH)
        .putExtra(RecognizerIntent.EXTRA_LANGUAGE_MODEL, RecognizerIntent.LANGUAGE_MODEL_FREE_FORM)
        .putExtra(RecognizerIntent.EXTRA_PREFER_OFFLINE, true)

    private fun speak() {
        speech.putExtra(RecognizerIntent.EXTRA_LANGUAGE, resources.configuration.locales[0].toLanguageTag())
        startForResult(speech, SPOKEN)
    }

    @Deprecated("The framework's own; there is no other without AndroidX.")
    override fun onActivityResult(request: Int, result: Int, data: Intent?) {
        val heard = data?.getStringArrayListExtra(RecognizerIntent.EXTRA_RESULTS)?.firstOrNull()
        if (request == SPOKEN && heard != null) answer("note", listOfNotNull(draft["note"], heard).joinToString(" "))
    }

    override fun Page.content() {
        val choices = choices ?: return
        prompt(getString(kind.word))
        caution?.let { alarm(it) }
        place()
        when (kind) {
            SignKind.DROPPING -> {
                some("contents", R.string.contents_label, choices.contents.pairs())
                one("form", R.string.form_label, choices.forms.pairs())
                one("smell", R.string.smell_label, choices.smells.pairs())
                yesNo("prominent_spot", R.string.prominent_label)
                one("vegetation", R.string.vegetation_label, choices.vegetation.pairs())
                typed("width_mm", R.string.width_label, Page.Typing.NUMBER)
                typed("length_mm", R.string.length_label, Page.Typing.NUMBER)
            }
            SignKind.FEEDING_REMAINS -> some("remains", R.string.remains_label, choices.remains.pairs())
            SignKind.SIGHTING, SignKind.DEAD_ANIMAL -> one("taken_for", R.string.taken_for_label, choices.makers.pairs())
            else -> one("substrate", R.string.ask_substrate, choices.substrates.pairs())
        }
        if (kind == SignKind.DEAD_ANIMAL) typed("told", R.string.told_label)
        if (kind != SignKind.SIGHTING && kind != SignKind.DEAD_ANIMAL) {
            one("freshness", R.string.ask_freshness, freshness.pairs())
            yesNo("below_high_water", R.string.ask_below_high_water)
        }
        if (kind == SignKind.DROPPING || kind == SignKind.HAIR || kind == SignKind.FEEDING_REMAINS) taken()
        typed("note", R.string.note_label)
        answer?.let { shown ->
            head(getString(R.string.who_made_it))
            add(LinearLayout(this@SignActivity).apply { orientation = LinearLayout.VERTICAL }.also { AnswerView(it).show(shown) })
        }
        buttons(
            Press(getString(R.string.keep_sign), icon = R.drawable.ic_tick, act = ::keep),
            Press(getString(R.string.another_photo), quiet = true, icon = R.drawable.ic_photo, act = ::photograph).takeIf { kind != SignKind.RESTING_PLACE },
            Press(getString(R.string.speak), quiet = true, icon = R.drawable.ic_speak, act = ::speak).takeIf { speech.resolveActivity(packageManager) != null },
        )
    }

    private fun Page.place() {
        val radius = draft["place"]?.split(',')?.get(2)
        second(if (draft["place"] == null) getString(R.string.place_not_known) else getString(R.string.place_known, radius?.toDoubleOrNull()?.let(::metres) ?: "?"))
        val photos = draft.list("photos").size
        if (photos > 0) second(resources.getQuantityString(R.plurals.photos, photos, photos))
    }

    private fun Page.taken() {
        one("taken", R.string.sample_head, listOf("false" to getString(R.string.sample_left), "true" to getString(R.string.sample_taken)))
        if (draft["taken"] != "true") return
        typed("pot", R.string.pot_label, Page.Typing.NAME)
        field(getString(R.string.held_by_label), draft["held_by"] ?: settings.me.orEmpty(), Page.Typing.NAME) { answer("held_by", it, quietly = true) }
        typed("sample_note", R.string.sample_note_label)
    }

    private fun List<Choice>.pairs() = map { it.id to it.text }

    private companion object {
        const val SPOKEN = 1
    }
}
