package org.rakelight.field

import android.widget.LinearLayout
import org.rakelight.core.Answer
import org.rakelight.core.Arrangement
import org.rakelight.core.Choice
import org.rakelight.core.Feature
import org.rakelight.core.Foot
import org.rakelight.core.SignKind
import org.rakelight.field.Signs.toForm

/** Who made it: the core's answer, and the questions whose answers would change it most. */
class MakerActivity : FieldScreen() {
    private val visit by lazy { checkNotNull(intent.getStringExtra(VISIT)) }
    private val sign by lazy { checkNotNull(intent.getStringExtra(SIGN)) }
    override val draftName get() = Signs.draftName(visit, sign)

    var answer: Answer? = null
        private set
    private var substrates: List<Choice> = emptyList()
    private var freshness: List<Choice> = emptyList()
    private var all = false

    /** A question, and the answers that it may have. */
    private class Question(val key: String, val prompt: Int, val answers: List<Pair<String, String>>)

    private fun seen() = listOf(Feature.SEEN.name to getString(R.string.yes), Feature.ABSENT.name to getString(R.string.no))

    private val questions by lazy {
        listOf(
            Question("foot", R.string.ask_foot, listOf(Foot.FORE.name to getString(R.string.fore), Foot.HIND.name to getString(R.string.hind))),
            Question("toes_seen", R.string.ask_toes, listOf("3" to getString(R.string.toes_3), "4" to getString(R.string.toes_4), "5" to getString(R.string.toes_5))),
            Question("claws", R.string.ask_claws, seen()),
            Question("webbing", R.string.ask_webbing, seen()),
            Question("heel_pad", R.string.ask_heel_pad, seen()),
            Question("arrangement", R.string.ask_arrangement, listOf(
                Arrangement.ARC.name to getString(R.string.arrangement_arc),
                Arrangement.ROW.name to getString(R.string.arrangement_row),
                Arrangement.PAIRED.name to getString(R.string.arrangement_paired),
                Arrangement.FINGERS.name to getString(R.string.arrangement_fingers),
                Arrangement.CLOVEN.name to getString(R.string.arrangement_cloven),
                Arrangement.BIRD.name to getString(R.string.arrangement_bird),
            )),
            Question("drag_mark", R.string.ask_drag_mark, seen()),
            Question("substrate", R.string.ask_substrate, substrates.map { it.id to it.text }),
            Question("freshness", R.string.ask_freshness, freshness.map { it.id to it.text }),
            Question("near_water", R.string.ask_near_water, listOf("true" to getString(R.string.yes), "false" to getString(R.string.no))),
            Question("below_high_water", R.string.ask_below_high_water, listOf("true" to getString(R.string.yes), "false" to getString(R.string.no))),
        )
    }

    override fun begin() = work({ it.choices().substrates to it.freshness(SignKind.PRINT) }, R.string.busy_open) { (substrates, freshness) ->
        this.substrates = substrates
        this.freshness = freshness
        answered()
    }

    override fun answered() {
        redraw()
        val form = draft.toForm(sign)
        work({ it.wouldBe(visit, form) }) { answer = it; redraw() }
    }

    /** First foot and toes, then what the core would look at next, then what every sign is asked. */
    private fun next(): Question? {
        val looks = answer?.next.orEmpty().map { it.lookFor }
        val keys = listOf("foot", "toes_seen") + looks + listOf("substrate", "freshness")
        return keys.firstNotNullOfOrNull { key -> questions.find { it.key == key && draft["asked.$key"] == null && draft[key] == null } }
    }

    private fun say(question: Question, value: String?) = change { it.with(question.key, value).with("asked.${question.key}", "1") }

    private fun keep() {
        val form = draft.toForm(sign)
        work({ workspace ->
            workspace.noteSign(visit, form, core.now())
            finished(workspace)
        }, R.string.busy_write) {
            startActivity(android.content.Intent(this, WalkActivity::class.java).putExtra(VISIT, visit).addFlags(android.content.Intent.FLAG_ACTIVITY_CLEAR_TOP))
            finish()
        }
    }

    override fun Page.content() {
        if (all) return everything()
        val question = next()
        if (question != null) {
            prompt(getString(question.prompt))
        } else {
            prompt(getString(R.string.who_made_it))
        }
        val shown = answer
        if (shown == null) second(getString(R.string.no_answer_yet))
        val list = LinearLayout(this@MakerActivity).apply { orientation = LinearLayout.VERTICAL }
        AnswerView(list).show(shown)
        add(list)
        if (question == null) buttons(
            Press(getString(R.string.keep_sign), icon = R.drawable.ic_tick, act = ::keep),
            Press(getString(R.string.change_answers), quiet = true) { all = true; redraw(); toTop() },
        ) else buttons(
            *question.answers.map { (value, text) -> Press(text) { say(question, value) } }.toTypedArray(),
            Press(getString(R.string.not_known), quiet = true) { say(question, null) },
        )
    }

    private fun Page.everything() {
        prompt(getString(R.string.answers_so_far))
        questions.forEach { one(it.key, it.prompt, it.answers) }
        buttons(Press(getString(R.string.done)) { all = false; redraw(); toTop() })
    }
}
