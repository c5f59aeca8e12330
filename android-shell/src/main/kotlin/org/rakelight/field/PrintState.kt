package org.rakelight.field

import android.os.Bundle
import org.rakelight.core.Answer
import org.rakelight.core.Arrangement
import org.rakelight.core.Feature
import org.rakelight.core.Features
import org.rakelight.core.Foot
import org.rakelight.core.Mark
import org.rakelight.core.Marks
import org.rakelight.core.PhotoAdded
import org.rakelight.core.Point
import org.rakelight.core.PrintReading
import org.rakelight.core.Scale
import org.rakelight.core.Side

/** The points that are marked, in the order in which they are asked for. */
enum class Landmark(val key: String, val prompt: Int) {
    WIDEST_LEFT("widest_left", R.string.mark_widest_left),
    WIDEST_RIGHT("widest_right", R.string.mark_widest_right),
    TOE_TIP("toe_3_tip", R.string.mark_toe_tip),
    PAD_REAR("pad_rear", R.string.mark_pad_rear),
}

/** What the worker is asked once the print is measured. */
enum class Question(val key: String, val prompt: Int) {
    FOOT("foot", R.string.ask_foot),
    TOES("toes_seen", R.string.ask_toes),
    CLAWS("claws", R.string.ask_claws),
    WEBBING("webbing", R.string.ask_webbing),
    HEEL_PAD("heel_pad", R.string.ask_heel_pad),
    ARRANGEMENT("arrangement", R.string.ask_arrangement),
}

/** What the worker did: all that must outlive the screen. */
data class Done(
    val sha256: String? = null,
    /** The middle of the print, which the picture then comes near. */
    val middle: Point? = null,
    val marks: List<Point> = emptyList(),
    /** Standard uncertainty of a mark, px. */
    val uPx: Double = 2.0,
    /** Answers by question; null is 'don't know'. */
    val answers: Map<Question, String?> = emptyMap(),
) {
    val allMarked get() = marks.size == Landmark.entries.size
    val foot get() = answers[Question.FOOT]?.let(Foot::valueOf) ?: Foot.UNKNOWN

    fun toMarks() = Marks(
        print = "p1",
        foot = foot,
        side = Side.UNKNOWN,
        points = Landmark.entries.zip(marks) { landmark, at -> Mark(landmark.key, at) },
        uPx = uPx,
    )

    fun toFeatures() = Features(
        substrate = null,
        toesSeen = answers[Question.TOES]?.toInt(),
        claws = feature(Question.CLAWS),
        webbing = feature(Question.WEBBING),
        heelPad = feature(Question.HEEL_PAD),
        arrangement = answers[Question.ARRANGEMENT]?.let(Arrangement::valueOf) ?: Arrangement.NOT_LOOKED,
        trail = null,
    )

    private fun feature(question: Question) = answers[question]?.let(Feature::valueOf) ?: Feature.NOT_LOOKED

    fun save(to: Bundle) {
        to.putString("sha256", sha256)
        to.putDoubleArray("middle", middle?.let { doubleArrayOf(it.x, it.y) })
        to.putDoubleArray("marks", marks.flatMap { listOf(it.x, it.y) }.toDoubleArray())
        to.putDouble("u_px", uPx)
        to.putStringArrayList("asked", ArrayList(answers.keys.map { it.name }))
        to.putStringArrayList("answered", ArrayList(answers.values.map { it.orEmpty() }))
    }

    companion object {
        fun from(saved: Bundle): Done {
            val marks = saved.getDoubleArray("marks") ?: doubleArrayOf()
            val asked = saved.getStringArrayList("asked").orEmpty().map(Question::valueOf)
            val answered = saved.getStringArrayList("answered").orEmpty().map { it.ifEmpty { null } }
            return Done(
                sha256 = saved.getString("sha256"),
                middle = saved.getDoubleArray("middle")?.let { (x, y) -> Point(x, y) },
                marks = marks.toList().chunked(2) { (x, y) -> Point(x, y) },
                uPx = saved.getDouble("u_px", 2.0),
                answers = asked.zip(answered).toMap(),
            )
        }
    }
}

/** What the screen shows: what was done, and what the core made of it. */
data class Shown(
    val done: Done = Done(),
    val photo: PhotoAdded? = null,
    val scale: Scale? = null,
    val reading: PrintReading? = null,
    val answer: Answer? = null,
    val problem: Throwable? = null,
    /** What is being worked on, in words. */
    val busy: Int? = null,
) {
    /** Null while the print's middle is still to be touched, and when all is marked. */
    val nextLandmark get() = if (done.middle == null) null else Landmark.entries.getOrNull(done.marks.size)

    /** First the foot and the toes, then what the core would look at next. */
    val nextQuestion: Question?
        get() {
            if (answer == null) return null
            val looks = answer.next.mapNotNull { look -> Question.entries.find { it.key == look.lookFor } }
            return (listOf(Question.FOOT, Question.TOES) + looks).firstOrNull { it !in done.answers }
        }
}
