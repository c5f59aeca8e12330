package org.rakelight.field

import org.junit.Assert.assertEquals
import org.junit.Assert.assertTrue
import org.junit.Test
import org.rakelight.core.Pattern
import org.rakelight.core.Point
import org.robolectric.RuntimeEnvironment
import org.robolectric.annotation.Config

/** Prints in a row, typed along a tape or touched in photographs. */
class TrailScreenTest : OnThePhone() {
    private val visit by lazy { Demo.visit() }

    private fun open() = Screen.open<TrailActivity>(FieldScreen.VISIT to visit, FieldScreen.SIGN to "trail-1790000000")

    private fun Screen<TrailActivity>.typeNumber(text: String) {
        text.forEach { press("$it") }
        press(R.string.next_value)
    }

    @Test
    fun aGallopAlongATape() = gallop("trail-en-day", ".")

    @Test
    @Config(qualifiers = "de-w320dp-h568dp-night-xhdpi")
    fun aGallopInGermanAtNightOnASmallScreenWithLargeLetters() {
        RuntimeEnvironment.setFontScale(2f)
        gallop("trail-de-night-small-large", ",")
    }

    /** Groups of four, 71 cm apart (invented). */
    private fun gallop(name: String, point: String) {
        val screen = open()
        screen.look("$name-1-how")
        screen.press(R.string.trail_by_tape)
        val inGroup = listOf(0.0 to 9.5, 9.5 to 5.8, 17.5 to 9.1, 26.5 to 5.4)
        (0 until 3).forEach { group ->
            inGroup.forEach { (along, offset) ->
                screen.typeNumber("${71 * group + along}".replace(".", point))
                screen.typeNumber("$offset".replace(".", point))
            }
            if (group == 0) {
                screen.press("1")
                screen.look("$name-2-typing")
                screen.crash()
                assertEquals("what was typed outlives a crash", "1", screen.activity.draft["now"])
                screen.press(R.string.take_last_back)
            }
        }
        screen.press(R.string.trail_read)
        val trail = screen.activity.trail!!
        assertEquals(Pattern.GROUP_OF_FOUR, trail.patterns.first().pattern)
        assertEquals(3, trail.groups.size)
        screen.look("$name-3-read")
        screen.press(R.string.keep_sign)
        val noted = asked { it.signs(visit) }.single()
        assertTrue("$noted", noted.id.startsWith("trail"))
    }

    @Test
    fun aWrongNumberIsTakenBack() {
        val screen = open()
        screen.press(R.string.trail_by_tape)
        screen.press("1")
        screen.press("⌫")
        screen.typeNumber("7.5")
        screen.press("±")
        screen.typeNumber("9")
        assertEquals(listOf("7.5,-9.0,UNKNOWN"), screen.activity.draft.list("prints"))
        screen.press(R.string.take_last_back)
        assertTrue(screen.activity.draft.list("prints").isEmpty())
    }

    @Test
    fun printsAreTouchedInAPhotographAndMeasuredByItsCard() {
        val visit = visit
        val sha256 = asked { it.addPhoto(visit, Demo.otter.path, (RuntimeEnvironment.getApplication() as FieldApp).core.now()).sha256 }
        val screen = open()
        screen.press(R.string.trail_by_photos)
        screen.newIntent(FieldScreen.PHOTO to sha256)
        (0 until 6).forEach { i -> screen.touch(Point(100.0 + 300 * i, if (i % 2 == 0) 830.0 else 970.0)) }
        screen.look("trail-en-day-4-photograph")
        screen.press(R.string.trail_read)
        assertEquals(Pattern.WALK, screen.activity.trail!!.patterns.first().pattern)
    }
}
