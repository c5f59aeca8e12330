package org.rakelight.field

import android.app.Activity
import android.content.Intent
import android.graphics.Bitmap
import android.graphics.Canvas
import android.net.Uri
import android.os.Looper
import android.view.MotionEvent
import android.view.View
import android.view.ViewGroup
import android.widget.Button
import android.widget.CompoundButton
import android.widget.EditText
import android.widget.ImageView
import android.widget.ScrollView
import android.widget.TextView
import java.io.File
import org.junit.Assert.assertEquals
import org.junit.Assert.assertNotNull
import org.junit.Assert.assertTrue
import org.rakelight.core.Consent
import org.rakelight.core.Point
import org.rakelight.core.VisitHead
import org.rakelight.core.Workspace
import org.robolectric.Robolectric
import org.robolectric.RuntimeEnvironment
import org.robolectric.Shadows.shadowOf
import org.robolectric.android.controller.ActivityController

/** A screen as a worker's hands and eyes have it. */
class Screen<A : FieldScreen>(private val kind: Class<A>, private val intent: Intent) {
    private var controller: ActivityController<A> = Robolectric.buildActivity(kind, intent).setup()
    val activity: A get() = controller.get()
    private val dp get() = activity.resources.displayMetrics.density

    init {
        settle()
    }

    /** Gives the core time until the screen rests. */
    fun settle() {
        val end = System.nanoTime() + 120_000_000_000
        do {
            shadowOf(Looper.getMainLooper()).idle()
            if (!activity.rests) Thread.sleep(5)
        } while (!activity.rests && System.nanoTime() < end)
        shadowOf(Looper.getMainLooper()).idle()
        assertTrue("the core answers within two minutes", activity.rests)
    }

    fun string(id: Int, vararg values: Any): String = activity.getString(id, *values)

    /** All that can be read on the screen, scrolled or not. */
    fun words(): String = all().filterIsInstance<TextView>().joinToString("\n") { it.text }

    fun buttons(): List<Button> = all().filterIsInstance<Button>().toList()

    fun says(text: Int) = words().contains(string(text))

    fun press(text: Int) = press(string(text))

    fun press(text: String) {
        val button = buttons().find { "${it.text}" == text } ?: buttons().find { "${it.text}".startsWith("$text\n") }
        assertNotNull("a button says $text; there are ${buttons().map { it.text }}", button)
        button!!.performClick()
        settle()
    }

    /** Presses an answer of one question, where several have the same words. */
    fun answer(question: Int, text: Int) {
        val parts = all().toList()
        val from = parts.indexOfFirst { it is TextView && "${it.text}" == string(question) }
        assertTrue("it is asked ${string(question)}", from >= 0)
        parts.drop(from).filterIsInstance<Button>().first { "${it.text}" == string(text) }.performClick()
        settle()
    }

    fun type(label: Int, text: String) = typeInto(string(label), text)

    fun typeInto(label: String, text: String) {
        val field = all().filterIsInstance<EditText>().find { it.contentDescription == label }
        assertNotNull("there is a field $label", field)
        field!!.setText(text)
        settle()
    }

    /** The screen that was opened from this one. */
    fun opened(): Intent = checkNotNull(shadowOf(activity).nextStartedActivity) { "no screen was opened; this one says:\n${words()}" }

    /** What another screen gives back to this one. */
    fun newIntent(vararg extras: Pair<String, String>) {
        controller.newIntent(Intent(intent).apply { extras.forEach { (key, value) -> putExtra(key, value) } })
        settle()
    }

    /** Chooses a file in the system's picker. */
    fun choose(file: File, button: Int = R.string.choose) {
        val uri = Uri.fromFile(file)
        shadowOf(activity.contentResolver).registerInputStream(uri, file.inputStream())
        press(button)
        val asked = shadowOf(activity).nextStartedActivityForResult
        assertEquals(Intent.ACTION_OPEN_DOCUMENT, asked.intent.action)
        shadowOf(activity).receiveResult(asked.intent, Activity.RESULT_OK, Intent().setData(uri))
        settle()
    }

    private val picture get() = all().filterIsInstance<PictureView>().first()

    fun touch(at: Point, lift: Boolean = true) = drag(at, at, lift)

    fun drag(from: Point, to: Point, lift: Boolean = true) {
        val event = { action: Int, at: Point -> picture.inView(at).let { (x, y) -> MotionEvent.obtain(0, 0, action, x, y, 0) } }
        val picture = picture
        picture.dispatchTouchEvent(event(MotionEvent.ACTION_DOWN, from))
        if (from != to) picture.dispatchTouchEvent(event(MotionEvent.ACTION_MOVE, to))
        if (lift) picture.dispatchTouchEvent(event(MotionEvent.ACTION_UP, to))
        settle()
    }

    /** As when the phone is turned or its language changes: the system makes the screen anew and gives it what it saved. */
    fun recreate() {
        controller.recreate()
        settle()
    }

    /** As after a crash or an empty battery: nothing was saved but what is in the store. */
    fun crash() {
        controller.pause().stop().destroy()
        controller = Robolectric.buildActivity(kind, intent).setup()
        settle()
    }

    /** Scrolls down to where these words stand, for the picture. */
    fun scrollTo(words: String) {
        val scroll = activity.findViewById<ScrollView>(R.id.scroll)!!
        scroll.scrollTo(0, all().filterIsInstance<TextView>().first { "${it.text}" == words }.top)
    }

    /** Draws the screen to `target/screens`. */
    fun draw(name: String): Bitmap {
        val view = activity.window.decorView
        val bitmap = Bitmap.createBitmap(view.width, view.height, Bitmap.Config.ARGB_8888)
        view.draw(Canvas(bitmap))
        File("target/screens").mkdirs()
        File("target/screens/$name.png").outputStream().use { bitmap.compress(Bitmap.CompressFormat.PNG, 100, it) }
        return bitmap
    }

    /** Draws the screen, checks that nothing is cut off, and, where it looks the same each time, that it looks as it did. */
    fun look(name: String, stable: Boolean = true) {
        val drawn = draw(name)
        checkFit()
        if (stable) Snapshots.check(name, drawn)
    }

    /** No word cut off; everything pressed large enough, on the screen or to be scrolled to, and with words for a screen reader. */
    fun checkFit() {
        all().filterIsInstance<TextView>().filter { it.text.isNotEmpty() }.forEach { view ->
            val layout = view.layout
            val room = view.height - view.compoundPaddingTop - view.compoundPaddingBottom
            assertTrue("'${view.text}' is cut off below: $room of ${layout.height}", layout.height <= room + 1)
            (0 until layout.lineCount).forEach { line ->
                assertEquals("'${view.text}' is shortened", 0, layout.getEllipsisCount(line))
                val width = view.width - view.compoundPaddingLeft - view.compoundPaddingRight
                assertTrue("'${view.text}' is cut off at the side", layout.getLineMax(line) <= width + 1)
            }
        }
        val root = activity.window.decorView
        all().filter { it is Button || it is EditText }.forEach { pressed ->
            val what = "'${(pressed as TextView).text}' (${pressed.contentDescription})"
            val at = IntArray(2).also(pressed::getLocationInWindow)
            assertTrue("$what is 72 dp high, not ${pressed.height / dp}", pressed.height >= 72 * dp - 1)
            assertTrue("$what is 72 dp wide, not ${pressed.width / dp}", pressed.width >= 72 * dp - 1)
            assertTrue("$what is on the screen", at[0] >= 0 && at[0] + pressed.width <= root.width)
            if (!scrolls(pressed)) assertTrue("$what is on the screen", at[1] >= 0 && at[1] + pressed.height <= root.height)
        }
        all().filter { it is ImageView || it.isClickable }.forEach { view ->
            val said = view.contentDescription ?: (view as? TextView)?.text
            assertTrue("a ${view.javaClass.simpleName} has words for a screen reader", !said.isNullOrBlank())
        }
        val scroll = activity.findViewById<View>(R.id.scroll)!!
        if (scroll.visibility == View.VISIBLE) assertTrue("there is room to read: ${scroll.height / dp} dp", scroll.height >= 72 * dp)
    }

    private fun scrolls(view: View): Boolean = generateSequence(view.parent) { it.parent }.any { it is ScrollView }

    fun chosen(): List<String> = all().filterIsInstance<CompoundButton>().filter { it.isChecked }.map { "${it.text}" }.toList()

    fun all(): Sequence<View> = under(activity.findViewById<View>(android.R.id.content)!!)

    private fun under(view: View): Sequence<View> = sequence {
        if (view.visibility != View.VISIBLE) return@sequence
        yield(view)
        if (view is ViewGroup) (0 until view.childCount).forEach { yieldAll(under(view.getChildAt(it))) }
    }

    companion object {
        inline fun <reified A : FieldScreen> open(vararg extras: Pair<String, String>): Screen<A> {
            val intent = Intent(RuntimeEnvironment.getApplication(), A::class.java)
            extras.forEach { (key, value) -> intent.putExtra(key, value) }
            return Screen(A::class.java, intent)
        }

        /** The screen that [intent] opens. */
        inline fun <reified A : FieldScreen> of(intent: Intent): Screen<A> {
            assertEquals(A::class.java.name, intent.component?.className)
            return Screen(A::class.java, intent)
        }
    }
}

/** The app's store, asked as a screen asks it. */
fun <T> asked(work: (Workspace) -> T): T {
    var answer: Result<T>? = null
    (RuntimeEnvironment.getApplication() as FieldApp).core.run(work) { answer = it }
    while (answer == null) {
        shadowOf(Looper.getMainLooper()).idle()
        Thread.sleep(2)
    }
    return answer!!.getOrThrow()
}

/** The rendered photographs of the invented demo visit. */
object Demo {
    private val folder = File("../fixtures/demo-visit")
    val otter = File(folder, "IMG_0101.jpg")

    /** Opens an invented visit. */
    fun visit(): String = asked { core ->
        val now = (RuntimeEnvironment.getApplication() as FieldApp).core.now()
        core.openVisit(VisitHead("try the phone", listOf("lutra_lutra"), null, null, now, listOf("A. Walker"), "Invented brook", null, Consent.NONE, "All of it is invented"), now)
    }

    /** The landmarks of a photograph's first print. */
    fun points(photo: File): Map<String, Point> {
        val print = File(folder, "${photo.nameWithoutExtension}.landmarks.json").readText().substringAfter("\"points\"").substringBefore("}")
        val point = Regex("\"(\\w+)\":\\s*\\[\\s*(-?[\\d.]+),\\s*(-?[\\d.]+)\\s*]")
        return point.findAll(print).associate { it.groupValues.let { (_, name, x, y) -> name to Point(x.toDouble(), y.toDouble()) } }
    }
}
