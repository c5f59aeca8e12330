package org.rakelight.field

import org.junit.Test
import org.robolectric.RuntimeEnvironment
import org.robolectric.annotation.Config

/** Every screen as it opens, in every language, on a small screen with letters of twice the size: nothing is cut off, all can be pressed. */
class LanguagesTest : OnThePhone() {
    @Test
    @Config(qualifiers = "en-w320dp-h568dp-xhdpi")
    fun english() = check()

    @Test
    @Config(qualifiers = "de-w320dp-h568dp-xhdpi")
    fun german() = check()

    @Test
    @Config(qualifiers = "fr-w320dp-h568dp-xhdpi")
    fun french() = check()

    @Test
    @Config(qualifiers = "es-w320dp-h568dp-xhdpi")
    fun spanish() = check()

    @Test
    @Config(qualifiers = "pl-w320dp-h568dp-xhdpi")
    fun polish() = check()

    @Test
    @Config(qualifiers = "de-w720dp-h360dp-land-xhdpi")
    fun turnedOnItsSide() = check()

    private fun check() {
        RuntimeEnvironment.setFontScale(2f)
        val visit = FieldScreen.VISIT to Demo.visit()
        fun sign(kind: String) = FieldScreen.SIGN to "$kind-1790000000"
        Screen.open<DayActivity>().checkFit()
        (RuntimeEnvironment.getApplication() as FieldApp).settings.visit = visit.second
        Screen.open<WalkActivity>(visit).checkFit()
        Screen.open<MeasureActivity>(visit, sign("print")).checkFit()
        Screen.open<MakerActivity>(visit, begun(visit.second, "print")).checkFit()
        Screen.open<TrailActivity>(visit, sign("trail")).apply { press(R.string.trail_by_tape) }.checkFit()
        listOf("dropping", "feeding_remains", "resting_place", "slide", "hair", "sighting", "dead_animal").forEach { kind ->
            Screen.open<SignActivity>(visit, sign(kind)).checkFit()
        }
        Screen.open<CloseActivity>(visit).checkFit()
        Screen.open<SummaryActivity>(visit).checkFit()
        Screen.open<ExchangeActivity>().checkFit()
    }

    /** A sign that was begun on the screen before. */
    private fun begun(visit: String, kind: String): Pair<String, String> {
        val sign = "$kind-1790000000"
        asked { it.keepDraft(Signs.draftName(visit, sign), Draft().with("time", "1790000000000,0").toString()) }
        return FieldScreen.SIGN to sign
    }
}
