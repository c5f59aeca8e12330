package org.rakelight.field

import android.graphics.Bitmap
import android.graphics.Color
import java.io.File
import org.junit.Assert.assertEquals
import org.junit.Assert.assertFalse
import org.junit.Assert.assertTrue
import org.junit.Test
import org.junit.runner.RunWith
import org.rakelight.core.Standing
import org.robolectric.RobolectricTestRunner
import org.robolectric.RuntimeEnvironment
import org.robolectric.annotation.Config
import org.robolectric.annotation.GraphicsMode

@RunWith(RobolectricTestRunner::class)
@GraphicsMode(GraphicsMode.Mode.NATIVE)
@Config(sdk = [35], qualifiers = "en-w360dp-h720dp-xhdpi")
class PrintScreenTest {
    private val points = Demo.points(Demo.otter)

    @Test
    fun fromAPhotographToWhoMadeIt() = walkThrough("en-day")

    @Test
    @Config(qualifiers = "de-w360dp-h720dp-night-xhdpi")
    fun fromAPhotographToWhoMadeItInGermanAtNight() = walkThrough("de-night")

    @Test
    @Config(qualifiers = "de-w320dp-h568dp-xhdpi")
    fun nothingIsCutOffOnASmallScreenWithLargeLetters() {
        RuntimeEnvironment.setFontScale(2f)
        walkThrough("de-small-large-letters")
    }

    private fun walkThrough(name: String) {
        val screen = Screen()
        screen.look("$name-1-start")
        screen.choose(Demo.otter)
        assertEquals("the card's outline has six corners", 6, screen.activity.shown.scale!!.outline.size)
        screen.look("$name-2-card")
        screen.touch(screen.middle(points))
        screen.touch(points.getValue("widest_left"), lift = false)
        screen.look("$name-3-loupe")
        screen.markPrint(points)
        assertEquals(screen.string(R.string.ask_foot), screen.text(R.id.prompt))
        screen.look("$name-4-measured")
        screen.press(R.string.hind)
        assertEquals(screen.string(R.string.ask_toes), screen.text(R.id.prompt))
        screen.press(R.string.toes_5)
        screen.look("$name-5-asked")
        screen.answerTheRest()
        val answer = screen.activity.shown.answer!!
        assertEquals("lutra_lutra", answer.candidates.first().maker)
        assertEquals(1.0, answer.candidates.sumOf { it.probability }, 1e-6)
        assertTrue(screen.words().contains(screen.string(R.string.standing_fits)))
        if (answer.candidates.any { it.standing == Standing.RULED_OUT }) {
            assertTrue(screen.words().contains(screen.string(R.string.standing_ruled_out)))
        }
        screen.look("$name-6-made-by")
    }

    /** What the rendered print shows (fixtures/demo-visit): claws, a heel, five toes in an arc. */
    private fun Screen.answerTheRest() {
        while (true) {
            when (activity.shown.nextQuestion ?: return) {
                Question.CLAWS, Question.HEEL_PAD -> press(R.string.seen)
                Question.ARRANGEMENT -> press(R.string.arrangement_arc)
                else -> press(R.string.not_known)
            }
        }
    }

    private fun Screen.look(name: String) {
        draw(name)
        checkFit()
    }

    @Test
    fun theMeasureHoldsWhatTheMarksWere() {
        val screen = Screen()
        screen.choose(Demo.otter)
        screen.markPrint(points)
        val width = screen.activity.shown.reading!!.width!!
        assertTrue("a touch is uncertain by some tenths of a millimetre: ${width.uMm}", width.uMm in 0.2..3.0)
        assertTrue(screen.text(R.id.measures).contains("mm ±"))
    }

    @Test
    fun whatWasMarkedAndAnsweredOutlivesTheScreen() {
        val screen = Screen()
        screen.choose(Demo.otter)
        screen.markPrint(points)
        screen.press(R.string.hind)
        val before = screen.activity.shown
        screen.recreate()
        assertEquals(before.done, screen.activity.shown.done)
        assertEquals(before.reading, screen.activity.shown.reading)
        assertEquals(before.answer, screen.activity.shown.answer)
    }

    @Test
    fun aMarkCanBeTakenBack() {
        val screen = Screen()
        screen.choose(Demo.otter)
        screen.touch(screen.middle(points))
        screen.touch(points.getValue("widest_left"))
        screen.press(R.string.undo)
        assertTrue(screen.activity.shown.done.marks.isEmpty())
        assertEquals(screen.string(R.string.mark_widest_left), screen.text(R.id.prompt))
        screen.press(R.string.undo)
        assertEquals(screen.string(R.string.mark_middle), screen.text(R.id.prompt))
    }

    @Test
    fun aPhotographWithoutTheCardSaysWhatToDo() {
        val screen = Screen()
        screen.choose(picture("no-card.jpg") { x, y -> Color.rgb((x + y) % 200, 120, 90) })
        assertEquals(screen.string(R.string.problem_scale), screen.text(R.id.prompt))
        assertEquals(screen.string(R.string.problem_scale_hint), screen.text(R.id.hint))
        screen.look("en-day-7-no-card")
        screen.choose(Demo.otter, R.string.choose_other)
        assertEquals(screen.string(R.string.mark_middle), screen.text(R.id.prompt))
    }

    @Test
    fun aFileThatIsNoPhotographIsRefused() {
        val screen = Screen()
        screen.choose(File.createTempFile("not-a-photograph", ".jpg").apply { writeText("a letter") })
        assertEquals(screen.string(R.string.problem_photo), screen.text(R.id.prompt))
        assertFalse(screen.buttons().isEmpty())
        screen.look("en-day-8-no-photograph")
    }

    @Test
    fun marksInAnOrderThatNoFootHasAreRefused() {
        val screen = Screen()
        screen.choose(Demo.otter)
        screen.touch(screen.middle(points))
        listOf("widest_left", "widest_right", "pad_rear", "toe_3_tip").forEach { screen.touch(points.getValue(it)) }
        assertTrue(screen.text(R.id.prompt).isNotEmpty())
        screen.look("en-day-9-marks-turned-round")
    }

    private fun picture(name: String, colour: (Int, Int) -> Int): File {
        val bitmap = Bitmap.createBitmap(800, 600, Bitmap.Config.ARGB_8888)
        (0 until 600).forEach { y -> (0 until 800).forEach { x -> bitmap.setPixel(x, y, colour(x, y)) } }
        val file = File(File.createTempFile("picture", "").parentFile, name)
        return file.apply { outputStream().use { bitmap.compress(Bitmap.CompressFormat.JPEG, 90, it) } }
    }
}
