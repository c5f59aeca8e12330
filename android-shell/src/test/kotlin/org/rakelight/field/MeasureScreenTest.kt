package org.rakelight.field

import android.content.Intent
import android.graphics.Bitmap
import android.graphics.Color
import java.io.File
import org.junit.Assert.assertEquals
import org.junit.Assert.assertFalse
import org.junit.Assert.assertNotNull
import org.junit.Assert.assertTrue
import org.junit.Test
import org.rakelight.core.Point
import org.rakelight.core.Standing
import org.robolectric.RuntimeEnvironment
import org.robolectric.annotation.Config

/** From a photograph to the print's measures and who made it. */
class MeasureScreenTest : OnThePhone() {
    private val points = Demo.points(Demo.otter)
    private val middle = listOf("widest_left", "widest_right").map(points::getValue).let { (a, b) -> Point((a.x + b.x) / 2, (a.y + b.y) / 2) }

    private fun open() = Screen.open<MeasureActivity>(FieldScreen.VISIT to Demo.visit(), FieldScreen.SIGN to "print-1790000000")

    @Test
    fun fromAPhotographToWhoMadeIt() = walkThrough("print-en-day")

    @Test
    @Config(qualifiers = "de-w320dp-h568dp-night-xhdpi")
    fun nothingIsCutOffInGermanAtNightOnASmallScreenWithLargeLetters() {
        RuntimeEnvironment.setFontScale(2f)
        walkThrough("print-de-night-small-large")
    }

    private fun walkThrough(name: String) {
        val screen = open()
        screen.look("$name-1-start")
        screen.choose(Demo.otter)
        assertTrue(screen.words(), screen.says(R.string.mark_middle))
        screen.look("$name-2-scale")
        screen.touch(middle)
        assertTrue("the toes show, so marks are proposed: ${screen.words()}", screen.says(R.string.proposed))
        assertEquals("what is proposed is no measure yet", null, screen.activity.measured)
        screen.look("$name-3-proposed")
        screen.press(R.string.they_are_right)
        assertTrue("the middle pad hardly shows and is left to the worker", screen.says(R.string.mark_pad_rear))
        screen.touch(points.getValue("pad_rear"), lift = false)
        screen.look("$name-4-loupe")
        screen.touch(points.getValue("pad_rear"))
        screen.touch(points.getValue("heel_rear"))
        assertNotNull(screen.activity.measured!!.lengthWithHeel)
        screen.look("$name-5-measured")
        screen.press(R.string.relief)
        screen.look("$name-6-relief")
        screen.press(R.string.relief_off)
        screen.press(R.string.who_made_it)
        maker(screen.opened(), name)
    }

    private fun maker(opened: Intent, name: String) {
        val screen = Screen.of<MakerActivity>(opened)
        assertTrue(screen.says(R.string.ask_foot))
        screen.look("$name-7-asked")
        screen.press(R.string.hind)
        assertTrue("an answer is followed by the next question", screen.says(R.string.ask_toes))
        screen.press(R.string.toes_5)
        screen.crash()
        assertFalse("what was answered outlives a crash", screen.says(R.string.ask_toes))
        screen.answerTheRest()
        val answer = screen.activity.answer!!
        assertEquals("lutra_lutra", answer.candidates.first().maker)
        assertEquals(1.0, answer.candidates.sumOf { it.probability }, 1e-6)
        assertTrue(screen.says(R.string.standing_fits))
        if (answer.candidates.any { it.standing == Standing.RULED_OUT }) assertTrue(screen.says(R.string.standing_ruled_out))
        screen.look("$name-8-made-by")
        val visit = opened.getStringExtra(FieldScreen.VISIT)!!
        assertTrue("nothing is noted before the worker says so", asked { it.signs(visit) }.isEmpty())
        screen.press(R.string.keep_sign)
        val noted = asked { it.signs(visit) }.single()
        assertEquals(answer.candidates.first().name, noted.maker)
        assertNotNull("with its photograph", noted.sha256)
        assertTrue("and the draft is gone", asked { it.drafts(Signs.draftsOf(visit)) }.isEmpty())
    }

    /** What the rendered print shows (fixtures/demo-visit): claws, a heel, five toes in an arc. */
    private fun Screen<MakerActivity>.answerTheRest() {
        while (!says(R.string.keep_sign)) when {
            says(R.string.ask_claws) || says(R.string.ask_heel_pad) -> press(R.string.yes)
            says(R.string.ask_arrangement) -> press(R.string.arrangement_arc)
            else -> press(R.string.not_known)
        }
    }

    private fun measured(screen: Screen<MeasureActivity>) {
        screen.choose(Demo.otter)
        screen.touch(middle)
        screen.press(R.string.mark_myself)
        listOf("widest_left", "widest_right", "toe_3_tip", "pad_rear").forEach { screen.touch(points.getValue(it)) }
        screen.press(R.string.no_heel)
    }

    @Test
    fun theMeasureFollowsAMarkThatIsDragged() {
        val screen = open()
        measured(screen)
        val before = screen.activity.measured!!.width!!
        assertTrue("a touch is uncertain by some tenths of a millimetre: ${before.uMm}", before.uMm in 0.2..3.0)
        val from = points.getValue("widest_right")
        screen.drag(from, Point(from.x + 60, from.y))
        val after = screen.activity.measured!!.width!!
        assertTrue("${before.mm} → ${after.mm}", after.mm > before.mm + 3)
        screen.press(R.string.undo)
        assertEquals(before.mm, screen.activity.measured!!.width!!.mm, 1e-9)
    }

    @Test
    fun whatWasMarkedOutlivesTurningACrashAndAnEmptyBattery() {
        val screen = open()
        measured(screen)
        val (draft, reading) = screen.activity.draft to screen.activity.measured
        screen.recreate()
        assertEquals(draft, screen.activity.draft)
        assertEquals(reading, screen.activity.measured)
        screen.crash()
        assertEquals(draft, screen.activity.draft)
        assertEquals(reading, screen.activity.measured)
    }

    @Test
    fun marksCanBeTakenBackOneByOneEvenAfterACrash() {
        val screen = open()
        screen.choose(Demo.otter)
        screen.touch(middle)
        screen.press(R.string.mark_myself)
        screen.touch(points.getValue("widest_left"))
        screen.crash()
        screen.press(R.string.undo)
        assertTrue(screen.says(R.string.mark_widest_left))
        screen.press(R.string.undo)
        assertTrue(screen.says(R.string.mark_middle))
    }

    @Test
    fun withoutTheCardARulerGivesTheScale() {
        val screen = open()
        screen.choose(picture("no-card.jpg") { x, y -> Color.rgb((x + y) % 200, 120, 90) })
        assertTrue(screen.words(), screen.says(R.string.problem_scale))
        screen.look("print-en-day-9-no-card")
        screen.press(R.string.scale_ruler)
        screen.touch(Point(100.0, 300.0))
        screen.touch(Point(600.0, 300.0))
        screen.type(R.string.ruler_length, "100")
        screen.press(R.string.done)
        assertTrue(screen.words(), screen.says(R.string.mark_middle))
        screen.touch(Point(300.0, 300.0))
        listOf(Point(250.0, 300.0), Point(350.0, 300.0)).forEach(screen::touch)
        assertEquals(20.0, screen.activity.measured!!.width!!.mm, 0.5)
    }

    @Test
    fun aFileThatIsNoPhotographIsRefused() {
        val screen = open()
        screen.choose(File.createTempFile("not-a-photograph", ".jpg").apply { deleteOnExit(); writeText("a letter") })
        assertTrue(screen.says(R.string.problem_photo))
        screen.look("print-en-day-10-no-photograph")
    }

    @Test
    fun aHeelInFrontOfTheToesIsRefusedAndCanBeTakenBack() {
        val screen = open()
        screen.choose(Demo.otter)
        screen.touch(middle)
        screen.press(R.string.mark_myself)
        listOf("widest_left", "widest_right", "toe_3_tip", "pad_rear").forEach { screen.touch(points.getValue(it)) }
        val (tip, rear) = points.getValue("toe_3_tip") to points.getValue("pad_rear")
        screen.touch(Point(tip.x + (tip.x - rear.x) / 3, tip.y + (tip.y - rear.y) / 3))
        assertTrue(screen.words(), screen.says(R.string.problem_marks))
        screen.press(R.string.undo)
        assertTrue(screen.words(), screen.says(R.string.mark_heel_rear))
    }

    private fun picture(name: String, colour: (Int, Int) -> Int): File {
        val bitmap = Bitmap.createBitmap(800, 600, Bitmap.Config.ARGB_8888)
        (0 until 600).forEach { y -> (0 until 800).forEach { x -> bitmap.setPixel(x, y, colour(x, y)) } }
        val file = File(File("target/generated"), name)
        return file.apply { outputStream().use { bitmap.compress(Bitmap.CompressFormat.JPEG, 90, it) } }
    }
}
