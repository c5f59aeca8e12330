package org.rakelight.field

import android.app.Activity
import android.content.Intent
import android.graphics.Bitmap
import android.net.Uri
import android.os.Bundle
import android.provider.OpenableColumns
import android.text.SpannableStringBuilder
import android.text.Spanned
import android.text.style.RelativeSizeSpan
import android.view.View
import android.widget.TextView
import java.io.File
import java.text.NumberFormat
import org.rakelight.core.Answer
import org.rakelight.core.Arrangement
import org.rakelight.core.Feature
import org.rakelight.core.Foot
import org.rakelight.core.Length
import org.rakelight.core.PhotoAdded
import org.rakelight.core.Point
import org.rakelight.core.PrintReading
import org.rakelight.core.ShellException
import org.rakelight.core.SignKind

/** One print: choose its photograph, see the scale, mark the print, see who made it. */
class PrintActivity : Activity() {
    private lateinit var picture: PictureView
    private lateinit var answerView: AnswerView
    private val core get() = (application as FieldApp).core

    /** What is on the screen. Set it to change the screen. */
    var shown = Shown()
        private set(value) {
            field = value
            render()
        }

    override fun onCreate(saved: Bundle?) {
        super.onCreate(saved)
        setContentView(R.layout.print)
        picture = view(R.id.picture)
        picture.onMark = ::mark
        answerView = AnswerView(view(R.id.answer))
        val done = saved?.let(Done::from) ?: Done()
        shown = Shown(done)
        if (done.sha256 != null) showAgain(done)
    }

    override fun onSaveInstanceState(to: Bundle) {
        super.onSaveInstanceState(to)
        shown.done.save(to)
    }

    // What the worker does

    private fun choose() {
        val intent = Intent(Intent.ACTION_OPEN_DOCUMENT).addCategory(Intent.CATEGORY_OPENABLE).setType("image/jpeg")
        @Suppress("DEPRECATION") // The framework has no other way without AndroidX.
        startActivityForResult(intent, CHOSEN)
    }

    @Deprecated("The framework's own; there is no other without AndroidX.")
    override fun onActivityResult(request: Int, result: Int, data: Intent?) {
        val uri = data?.data
        if (request == CHOSEN && result == RESULT_OK && uri != null) take(uri)
    }

    private fun take(uri: Uri) {
        picture.show(null, 0)
        shown = Shown(busy = R.string.busy_photo)
        core.run({ workspace ->
            val copy = copyOf(uri)
            try {
                val photo = workspace.addPhoto(core.visitToday(workspace), copy.path, CoreAccess.now())
                photo to Pictures.upright(photo.path)
            } finally {
                copy.delete()
            }
        }) { result ->
            result.onFailure(::trouble).onSuccess { (photo, bitmap) -> lookAt(photo, bitmap, Done(sha256 = photo.sha256)) }
        }
    }

    /** The card is looked for while the picture is already seen. */
    private fun lookAt(photo: PhotoAdded, bitmap: Bitmap?, done: Done) {
        picture.show(bitmap, photo.widthPx)
        shown = Shown(done, photo, busy = R.string.busy_photo)
        core.run({ it.findScale(photo.sha256) }) { result ->
            result.onFailure(::trouble).onSuccess {
                shown = shown.copy(scale = it, busy = null)
                if (done.allMarked) work()
            }
        }
    }

    /** After the system has made the screen anew. */
    private fun showAgain(done: Done) {
        shown = Shown(done, busy = R.string.busy_photo)
        core.run({ workspace ->
            val photo = workspace.photo(checkNotNull(done.sha256))
            photo to Pictures.upright(photo.path)
        }) { result ->
            result.onFailure(::trouble).onSuccess { (photo, bitmap) -> lookAt(photo, bitmap, done) }
        }
    }

    private fun mark(at: Point, uPx: Double) {
        if (shown.done.middle == null) {
            shown = shown.copy(done = shown.done.copy(middle = at))
            return
        }
        val done = shown.done.copy(marks = shown.done.marks + at, uPx = uPx)
        shown = shown.copy(done = done)
        if (done.allMarked) work()
    }

    private fun undo() {
        val marks = shown.done.marks
        val middle = shown.done.middle.takeIf { marks.isNotEmpty() }
        val done = shown.done.copy(middle = middle, marks = marks.dropLast(1), answers = emptyMap())
        shown = shown.copy(done = done, reading = null, answer = null, problem = null)
    }

    private fun answer(question: Question, value: String?) {
        shown = shown.copy(done = shown.done.copy(answers = shown.done.answers + (question to value)))
        if (value != null) work()
    }

    /** Measures and identifies with all that is known now; both are in the store before the screen says so. */
    private fun work() {
        val done = shown.done
        val sha256 = done.sha256 ?: return
        shown = shown.copy(busy = R.string.busy_measure, problem = null)
        core.run({ workspace ->
            val visit = core.visitToday(workspace)
            val reading = workspace.measure(visit, sha256, done.toMarks(), CoreAccess.now())
            val sign = "print-${sha256.take(8)}"
            reading to workspace.identify(visit, sign, SignKind.PRINT, sha256, done.toFeatures(), CoreAccess.now())
        }) { result -> result.onFailure(::trouble).onSuccess { (reading, answer) -> found(reading, answer) } }
    }

    private fun found(reading: PrintReading, answer: Answer) {
        shown = shown.copy(reading = reading, answer = answer, busy = null)
    }

    private fun trouble(problem: Throwable) {
        shown = shown.copy(problem = problem, busy = null)
    }

    // What the worker sees

    private fun render() {
        val shown = shown
        val buttons = buttons(shown)
        show(R.id.picture, shown.photo != null && (buttons.size <= 3 || hasRoom()))
        show(R.id.how, shown.photo == null && shown.busy == null)
        picture.marking = shown.scale != null && shown.busy == null && shown.problem == null && !shown.done.allMarked
        picture.draw(near(shown), shown.scale?.outline.orEmpty(), shown.done.marks, lines(shown), bar(shown))
        write(R.id.measures, measures(shown))
        val (prompt, hint) = words(shown)
        write(R.id.prompt, prompt)
        view<TextView>(R.id.prompt).setTextColor(getColor(if (shown.problem == null) R.color.text else R.color.problem))
        write(R.id.hint, hint)
        answerView.show(shown.answer.takeIf { shown.problem == null })
        view<ButtonRow>(R.id.buttons).show(buttons)
    }

    /** Many answers in large letters on a small screen leave no room for the picture. */
    private fun hasRoom() = resources.configuration.run { screenHeightDp / fontScale } >= 480

    private fun words(shown: Shown): Pair<String?, String?> {
        val landmark = shown.nextLandmark
        val question = shown.nextQuestion
        return when {
            shown.busy != null -> getString(shown.busy) to null
            shown.problem != null -> problem(shown.problem)
            shown.photo == null -> getString(R.string.start_prompt) to getString(R.string.start_hint)
            shown.done.middle == null -> getString(R.string.mark_middle) to getString(R.string.mark_middle_hint)
            landmark != null -> getString(landmark.prompt) to
                getString(R.string.mark_hint, landmark.ordinal + 1, Landmark.entries.size)
            question != null -> getString(question.prompt) to getString(R.string.measure_hint)
            else -> null to getString(R.string.measure_hint)
        }
    }

    private fun buttons(shown: Shown): List<ButtonRow.Press> {
        val question = shown.nextQuestion
        val choose = { quiet: Boolean ->
            val text = getString(if (shown.photo == null) R.string.choose else R.string.choose_other)
            ButtonRow.Press(text, quiet, if (quiet) 0 else R.drawable.ic_photo, ::choose)
        }
        return when {
            shown.busy != null -> emptyList()
            shown.problem is ShellException.BadMarks -> listOf(undoButton(), choose(true))
            shown.problem != null || shown.photo == null -> listOf(choose(false))
            shown.done.middle == null -> listOf(choose(true))
            shown.nextLandmark != null -> listOf(undoButton(), choose(true))
            question != null -> answers(question)
            else -> listOf(undoButton(), choose(false))
        }
    }

    private fun undoButton() = ButtonRow.Press(getString(R.string.undo), quiet = true, act = ::undo)

    private fun answers(question: Question): List<ButtonRow.Press> {
        val values = when (question) {
            Question.FOOT -> listOf(R.string.fore to Foot.FORE.name, R.string.hind to Foot.HIND.name)
            Question.TOES -> listOf(R.string.toes_4 to "4", R.string.toes_5 to "5")
            Question.ARRANGEMENT -> listOf(
                R.string.arrangement_arc to Arrangement.ARC.name,
                R.string.arrangement_row to Arrangement.ROW.name,
                R.string.arrangement_paired to Arrangement.PAIRED.name,
                R.string.arrangement_fingers to Arrangement.FINGERS.name,
            )
            else -> listOf(R.string.seen to Feature.SEEN.name, R.string.absent to Feature.ABSENT.name)
        }
        val known = values.map { (text, value) -> ButtonRow.Press(getString(text)) { answer(question, value) } }
        return known + ButtonRow.Press(getString(R.string.not_known), quiet = true) { answer(question, null) }
    }

    private fun lines(shown: Shown): List<PictureView.MeasuredLine> {
        val marks = shown.done.marks
        val reading = shown.reading
        if (reading == null || !shown.done.allMarked) return emptyList()
        fun line(from: Landmark, to: Landmark, length: Length?) =
            length?.let { PictureView.MeasuredLine(marks[from.ordinal], marks[to.ordinal], measure(it)) }
        return listOfNotNull(
            line(Landmark.WIDEST_LEFT, Landmark.WIDEST_RIGHT, reading.width),
            line(Landmark.TOE_TIP, Landmark.PAD_REAR, reading.lengthWithoutHeel),
        )
    }

    private fun near(shown: Shown) = shown.done.middle?.let { middle ->
        shown.scale?.let { PictureView.Near(middle, NEAR_MM / 2 * it.pxPerMm) }
    }

    private fun bar(shown: Shown) = shown.scale?.let { PictureView.ScaleBar(BAR_MM * it.pxPerMm, getString(R.string.bar, "$BAR_MM")) }

    /** A line a measure: the number large, the rest small. */
    private fun measures(shown: Shown): CharSequence? {
        val reading = shown.reading ?: return null
        val text = SpannableStringBuilder()
        listOf(R.string.width to reading.width, R.string.length to reading.lengthWithoutHeel).forEach { (name, length) ->
            if (length == null) return@forEach
            if (text.isNotEmpty()) text.append("\n")
            val (number, uncertainty) = measure(length).split("±")
            text.append(number).append("±$uncertainty ${getString(name)}", RelativeSizeSpan(0.6f), Spanned.SPAN_EXCLUSIVE_EXCLUSIVE)
        }
        return text.takeIf { it.isNotEmpty() }
    }

    private fun measure(length: Length): String {
        val number = NumberFormat.getInstance().apply { minimumFractionDigits = 1; maximumFractionDigits = 1 }
        return getString(R.string.measure, number.format(length.mm), number.format(length.halfWidth95Mm))
    }

    private fun <T : View> view(id: Int): T = checkNotNull(findViewById(id))

    private fun write(id: Int, text: CharSequence?) {
        view<TextView>(id).text = text
        show(id, text != null)
    }

    private fun show(id: Int, visible: Boolean) {
        view<View>(id).visibility = if (visible) View.VISIBLE else View.GONE
    }

    /** The chosen document as a file of its own name, which the core can read. */
    private fun copyOf(uri: Uri): File {
        val folder = File(cacheDir, "chosen").apply { mkdirs() }
        val copy = File(folder, File(nameOf(uri) ?: "photograph.jpg").name)
        val input = contentResolver.openInputStream(uri) ?: throw ShellException.BadPhoto("nothing can be read from $uri")
        input.use { from -> copy.outputStream().use { from.copyTo(it) } }
        return copy
    }

    private fun nameOf(uri: Uri): String? {
        val columns = arrayOf(OpenableColumns.DISPLAY_NAME)
        val named = contentResolver.query(uri, columns, null, null, null)?.use { if (it.moveToFirst()) it.getString(0) else null }
        return named ?: uri.lastPathSegment
    }

    private companion object {
        const val CHOSEN = 1
        const val BAR_MM = 20
        /** Side of what is shown around a print; the largest foot here, a heron's, just goes in. */
        const val NEAR_MM = 170.0
    }
}
