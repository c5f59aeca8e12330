package org.rakelight.field

import android.view.View
import android.widget.LinearLayout
import android.widget.TextView
import java.text.NumberFormat
import org.rakelight.core.Answer
import org.rakelight.core.Candidate
import org.rakelight.core.Standing

/** Writes who made it into a list, as a tracker speaks: what fits, what isn't ruled out, what is ruled out and by what. */
class AnswerView(private val list: LinearLayout) {
    private val context = list.context

    fun show(answer: Answer?) {
        list.removeAllViews()
        if (answer == null) return
        val by = answer.candidates.groupBy { it.standing }
        group(R.string.standing_fits, by[Standing.FITS], answer)
        group(R.string.standing_not_ruled_out, by[Standing.NOT_RULED_OUT], answer)
        ruledOut(by[Standing.RULED_OUT].orEmpty())
        say(R.style.Say_Head, context.getString(R.string.why))
        say(R.style.Say, answer.rule)
        answer.reasons.take(REASONS).forEach { say(R.style.Say_Second, "· $it") }
        say(R.style.Say_Second, context.getString(R.string.band_hint))
    }

    private fun group(title: Int, candidates: List<Candidate>?, answer: Answer) {
        if (candidates.isNullOrEmpty()) return
        say(R.style.Say_Head, context.getString(title))
        candidates.forEach { candidate ->
            val word = if (answer.firm) R.string.firm else R.string.open
            val isFirst = candidate === answer.candidates.first()
            val name = if (isFirst) "${candidate.name} · ${context.getString(word)}" else candidate.name
            say(R.style.Say, name)
            val share = share(candidate)
            say(R.style.Say_Second, share)
            val bar = ShareBar(context, candidate.probability, candidate.low, candidate.high)
            bar.contentDescription = context.getString(R.string.bar_label, candidate.name, share)
            list.addView(bar)
        }
    }

    private fun ruledOut(candidates: List<Candidate>) {
        if (candidates.isEmpty()) return
        say(R.style.Say_Head, context.getString(R.string.standing_ruled_out))
        candidates.groupBy { it.by }.forEach { (by, those) ->
            val names = those.joinToString { it.name }
            val what = by?.let(::observation)
            say(
                R.style.Say_Second,
                if (what == null) names else context.getString(R.string.ruled_out_by, what, names),
            )
        }
    }

    private fun observation(key: String): String? {
        val id = context.resources.getIdentifier("by_$key", "string", context.packageName)
        return if (id == 0) null else context.getString(id)
    }

    private fun share(candidate: Candidate): String {
        val percent = NumberFormat.getIntegerInstance()
        val text = { share: Double -> percent.format(100 * share) }
        return when {
            candidate.probability < 0.01 -> context.getString(R.string.share_small)
            candidate.low > 0.99 -> context.getString(R.string.share_large)
            else -> context.getString(R.string.share_of, text(candidate.probability), text(candidate.low), text(candidate.high))
        }
    }

    private fun say(style: Int, text: String): View =
        TextView(context, null, 0, style).apply { this.text = text }.also(list::addView)

    private companion object {
        const val REASONS = 4
    }
}
