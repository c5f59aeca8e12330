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
import android.widget.TextView
import java.io.File
import org.junit.Assert.assertEquals
import org.junit.Assert.assertNotNull
import org.junit.Assert.assertTrue
import org.rakelight.core.Point
import org.robolectric.Robolectric
import org.robolectric.Shadows.shadowOf
import org.robolectric.android.controller.ActivityController

/** The print's screen as a worker's hands and eyes have it. */
class Screen {
    private val controller: ActivityController<PrintActivity> = Robolectric.buildActivity(PrintActivity::class.java).setup()
    var activity: PrintActivity = controller.get()
        private set
    private val dp get() = activity.resources.displayMetrics.density
    private val picture get() = activity.findViewById<PictureView>(R.id.picture)!!

    /** Gives the core time until the screen rests. */
    fun settle() {
        val end = System.nanoTime() + 120_000_000_000
        do {
            shadowOf(Looper.getMainLooper()).idle()
            Thread.sleep(5)
        } while (activity.shown.busy != null && System.nanoTime() < end)
        shadowOf(Looper.getMainLooper()).idle()
        assertEquals("the core answers within two minutes", null, activity.shown.busy)
    }

    fun text(id: Int): String = activity.findViewById<TextView>(id)!!.takeIf { it.visibility == View.VISIBLE }?.text?.toString().orEmpty()

    fun string(id: Int): String = activity.getString(id)

    /** All that can be read on the screen, scrolled or not. */
    fun words(): String = all().filterIsInstance<TextView>().joinToString("\n") { it.text }

    fun buttons(): List<Button> = all().filterIsInstance<Button>().toList()

    fun press(text: Int) {
        val button = buttons().find { it.text == string(text) }
        assertNotNull("a button says ${string(text)}; there are ${buttons().map { it.text }}", button)
        button!!.performClick()
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
        activity.shown.problem?.let { println("the screen says ${text(R.id.prompt)}: $it") }
    }

    fun touch(at: Point, lift: Boolean = true) {
        val (x, y) = picture.inView(at).let { it[0] to it[1] }
        val event = { action: Int -> MotionEvent.obtain(0, 0, action, x, y, 0) }
        picture.dispatchTouchEvent(event(MotionEvent.ACTION_DOWN))
        if (lift) picture.dispatchTouchEvent(event(MotionEvent.ACTION_UP))
        settle()
    }

    fun middle(points: Map<String, Point>) =
        listOf("widest_left", "widest_right").map(points::getValue).let { (a, b) -> Point((a.x + b.x) / 2, (a.y + b.y) / 2) }

    /** Marks the four points in the order in which they are asked for. */
    fun markPrint(points: Map<String, Point>) {
        if (activity.shown.done.middle == null) touch(middle(points))
        listOf("widest_left", "widest_right", "toe_3_tip", "pad_rear").forEach { touch(points.getValue(it)) }
    }

    /** As when the system throws the screen away and makes it anew. */
    fun recreate() {
        controller.recreate()
        activity = controller.get()
        settle()
    }

    fun draw(name: String) {
        val view = activity.window.decorView
        val bitmap = Bitmap.createBitmap(view.width, view.height, Bitmap.Config.ARGB_8888)
        view.draw(Canvas(bitmap))
        File("target/screens").mkdirs()
        File("target/screens/$name.png").outputStream().use { bitmap.compress(Bitmap.CompressFormat.PNG, 100, it) }
    }

    /** No word cut off, everything pressed large enough and on the screen. */
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
        buttons().forEach { button ->
            val at = IntArray(2).also(button::getLocationInWindow)
            assertTrue("'${button.text}' is 72 dp high", button.height >= 72 * dp - 1)
            assertTrue("'${button.text}' is 72 dp wide", button.width >= 72 * dp - 1)
            assertTrue("'${button.text}' is on the screen", at[0] >= 0 && at[0] + button.width <= root.width)
            assertTrue("'${button.text}' is on the screen", at[1] >= 0 && at[1] + button.height <= root.height)
        }
        val scroll = activity.findViewById<View>(R.id.scroll)!!
        assertTrue("there is room to read: ${scroll.height / dp} dp", scroll.height >= 72 * dp)
    }

    private fun all(): Sequence<View> = under(activity.findViewById<View>(android.R.id.content)!!)

    private fun under(view: View): Sequence<View> = sequence {
        if (view.visibility != View.VISIBLE) return@sequence
        yield(view)
        if (view is ViewGroup) (0 until view.childCount).forEach { yieldAll(under(view.getChildAt(it))) }
    }
}

/** The rendered photographs of the invented demo visit. */
object Demo {
    private val folder = File("../fixtures/demo-visit")
    val otter = File(folder, "IMG_0101.jpg")

    /** The landmarks of a photograph's first print. */
    fun points(photo: File): Map<String, Point> {
        val print = File(folder, "${photo.nameWithoutExtension}.landmarks.json").readText().substringAfter("\"points\"").substringBefore("}")
        val point = Regex("\"(\\w+)\":\\s*\\[\\s*(-?[\\d.]+),\\s*(-?[\\d.]+)\\s*]")
        return point.findAll(print).associate { it.groupValues.let { (_, name, x, y) -> name to Point(x.toDouble(), y.toDouble()) } }
    }
}
