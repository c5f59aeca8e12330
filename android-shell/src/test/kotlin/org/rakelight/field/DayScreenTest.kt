package org.rakelight.field

import android.Manifest.permission.ACCESS_FINE_LOCATION
import android.content.Intent
import android.content.pm.PackageManager.PERMISSION_DENIED
import android.widget.TextView
import java.time.LocalDate
import java.time.ZoneId
import org.junit.After
import org.junit.Assert.assertEquals
import org.junit.Assert.assertFalse
import org.junit.Assert.assertNotNull
import org.junit.Assert.assertNull
import org.junit.Assert.assertTrue
import org.junit.Before
import org.junit.Test
import org.rakelight.core.DaysAsked
import org.rakelight.core.Workspace
import org.rakelight.field.Tide.shore
import org.robolectric.RuntimeEnvironment
import org.robolectric.Shadows.shadowOf
import org.robolectric.annotation.Config

/** The day ahead, until the visit is begun. */
class DayScreenTest : OnThePhone() {
    private lateinit var outdoors: Outdoors
    private val app get() = outdoors.app

    @Before
    fun begin() {
        outdoors = Outdoors()
        outdoors.handOut()
    }

    @After
    fun end() = outdoors.end()

    private fun Screen<DayActivity>.choose(place: String) = press(buttons().map { "${it.text}" }.first { it.startsWith("$place:") }.substringBefore("\n"))

    @Test
    fun fromTheDayToTheWalk() = walkThrough("day-en-day")

    @Test
    @Config(qualifiers = "de-w320dp-h568dp-night-xhdpi")
    fun nothingIsCutOffInGermanAtNightOnASmallScreenWithLargeLetters() {
        RuntimeEnvironment.setFontScale(2f)
        walkThrough("day-de-night-small-large")
    }

    private fun walkThrough(name: String) {
        val screen = Screen.open<DayActivity>()
        screen.look("$name-1-places")
        screen.choose(Outdoors.PLACE)
        assertTrue(screen.words(), screen.words().contains(screen.string(R.string.day_stretch, app.metres(537.0))))
        assertTrue("the landowner's condition is said", screen.words().contains("Shut the gate."))
        screen.answer(R.string.day_tidal, R.string.yes)
        assertTrue("without the table nothing is said of the tide", screen.says(R.string.day_tide_missing))
        screen.look("$name-2-place")
        screen.press(R.string.day_type_tide)
        typeTide(Screen.of(screen.opened()), name)
        screen.crash()
        assertTrue("the table was read: ${screen.words()}", screen.says(R.string.day_change_tide))
        assertTrue("the window says when to turn back: ${screen.words()}", asked { it.planDays(DaysAsked(53.0, 9.0, "2026-10-03", 1u, "Europe/London", shore(it))) }.windows.single().let { window ->
            screen.words().contains(screen.string(R.string.day_turn_back, screen.activity.time(window.turnBack!!), screen.activity.time(window.waterComes!!)))
        })
        screen.scrollTo(screen.string(R.string.day_times))
        screen.look("$name-5-times")
        screen.press(R.string.day_prepare)
        assertTrue("the tide's cautions are among them", screen.words().contains(asked { it.fieldCautions(true) }.first()))
        assertFalse("no visit begins before they were seen", screen.says(R.string.day_begin))
        screen.look("$name-6-cautions")
        screen.press(R.string.day_seen)
        screen.look("$name-7-expected")
        screen.type(R.string.day_expected_label, "Bo, 0151 0000")
        screen.type(R.string.day_back_label, "12")
        assertTrue("no time is said at once", screen.says(R.string.day_time_wrong))
        screen.type(R.string.day_back_label, "1215")
        assertFalse(screen.says(R.string.day_time_wrong))
        screen.press(R.string.day_tell)
        val shared = screen.opened().getParcelableExtra(Intent.EXTRA_INTENT, Intent::class.java)!!.getStringExtra(Intent.EXTRA_TEXT)!!
        assertTrue(shared, shared.contains(Outdoors.PLACE) && shared.contains("Ada") && shared.contains("12:15"))
        screen.type(R.string.day_people_label, "Bo\nCleo ")
        screen.crash()
        assertTrue("what was prepared outlives a crash", screen.says(R.string.day_begin))
        screen.look("$name-8-begin")
        screen.press(R.string.day_begin)
        val walk = screen.opened()
        assertEquals(WalkActivity::class.java.name, walk.component?.className)
        val visit = asked { it.visitLine(app.settings.visit!!) }
        assertEquals(listOf("Ada", "Bo", "Cleo"), visit.people)
        assertEquals(Outdoors.PLACE, visit.place)
        assertEquals(537.1, asked { it.searched(visit.id) }.single().lengthM, 0.2)
        assertTrue("the draft is gone", asked { it.draft("day") }.let { Draft.of(it).isEmpty })
        outdoors.service()
        assertTrue("the track is recorded", outdoors.receiver.isHeard)
        val again = Screen.open<DayActivity>()
        assertTrue("a visit that is under way comes first", again.says(R.string.day_go_on))
        again.look("$name-9-under-way")
        again.press(R.string.day_go_on)
        assertEquals(WalkActivity::class.java.name, again.opened().component?.className)
    }

    private fun shore(core: Workspace) = Draft.of(core.draft(Tide.draftName(LocalDate.parse("2026-10-03"), Outdoors.PLACE))).shore(LocalDate.parse("2026-10-03"), ZoneId.systemDefault())

    private fun typeTide(screen: Screen<TideActivity>, name: String) {
        val row = { i: Int, kind: Int, label: Int -> screen.string(label, "$i. ${screen.string(kind)}") }
        screen.look("$name-3-tide")
        screen.press(R.string.table_keep)
        assertTrue("an empty table isn't kept", screen.says(R.string.table_missing) && !screen.activity.isFinishing)
        screen.typeInto(row(1, R.string.table_high, R.string.table_time), "31:0")
        assertTrue("a wrong time is said at once", screen.says(R.string.day_time_wrong))
        listOf("3:10", "11.8", "0940", "1,4", "15.30", "12.1").forEachIndexed { i, text ->
            val kind = if (i / 2 % 2 == 0) R.string.table_high else R.string.table_low
            screen.typeInto(row(i / 2 + 1, kind, if (i % 2 == 0) R.string.table_time else R.string.table_height), text)
        }
        screen.type(R.string.table_free, "4")
        screen.type(R.string.table_back, "20")
        screen.type(R.string.table_margin, "30")
        screen.crash()
        screen.scrollTo(screen.string(R.string.table_free))
        screen.look("$name-4-tide-typed")
        assertFalse(screen.words(), screen.says(R.string.day_time_wrong))
        screen.press(R.string.table_keep)
        assertTrue(screen.words(), screen.activity.isFinishing)
    }

    @Test
    fun aPlaceThatMayNotBeEnteredIsSaidInRed() {
        val screen = Screen.open<DayActivity>()
        screen.choose("Reed Corner")
        val land = asked { it.placesGiven("Ada", "2026-10-03") }.first { it.place == "Reed Corner" }.land
        val said = screen.string(R.string.day_not_enter, land.replaceFirstChar(Char::uppercase))
        val red = screen.all().filterIsInstance<TextView>().first { "${it.text}" == said }
        assertEquals(app.getColor(R.color.problem), red.currentTextColor)
        screen.look("day-en-day-not-to-enter")
    }

    @Test
    fun whoHasNoNameIsAskedAndAPlaceWithoutAPlanWillDo() {
        app.settings.me = null
        val screen = Screen.open<DayActivity>()
        assertTrue(screen.says(R.string.day_who))
        screen.look("day-en-day-who")
        screen.type(R.string.me_label, "Dora")
        screen.crash()
        screen.press(R.string.done)
        assertTrue("nothing was given to Dora", screen.says(R.string.day_no_places))
        screen.press(R.string.day_choose)
        assertTrue("a place without a name is none", screen.says(R.string.day_place_needed))
        screen.type(R.string.day_place_label, " Alder Brook ")
        screen.crash()
        screen.press(R.string.day_choose)
        assertTrue(screen.words(), screen.says(R.string.day_no_plan) && screen.says(R.string.day_no_position))
        screen.press(R.string.day_prepare)
        screen.press(R.string.day_seen)
        screen.press(asked { it.choices() }.protocols.first().text)
        screen.press(R.string.day_begin)
        assertEquals("Alder Brook" to listOf("Dora"), asked { it.visitLine(app.settings.visit!!) }.let { it.place to it.people })
    }

    @Test
    fun cautionsOfAnotherDayAreSeenAgain() {
        val screen = Screen.open<DayActivity>()
        screen.choose(Outdoors.PLACE)
        screen.press(R.string.day_prepare)
        screen.press(R.string.day_seen)
        outdoors.seconds = 86_400
        screen.crash()
        screen.choose(Outdoors.PLACE)
        screen.press(R.string.day_prepare)
        assertTrue(screen.says(R.string.day_cautions) && !screen.says(R.string.day_begin))
    }

    @Test
    fun whereThePositionIsRefusedTheVisitBeginsWithoutATrack() {
        outdoors.receiver.state = Receiver.State.REFUSED
        val screen = Screen.open<DayActivity>()
        screen.choose(Outdoors.PLACE)
        screen.press(R.string.day_prepare)
        screen.press(R.string.day_seen)
        screen.press(R.string.day_begin)
        assertTrue("why comes before the system asks", screen.says(R.string.day_track_why))
        assertNull("nothing was begun yet", app.settings.visit)
        screen.look("day-en-day-track-why")
        screen.press(R.string.day_track_ask)
        val asked = shadowOf(screen.activity).lastRequestedPermission
        assertTrue(ACCESS_FINE_LOCATION in asked.requestedPermissions)
        screen.activity.onRequestPermissionsResult(asked.requestCode, asked.requestedPermissions, IntArray(asked.requestedPermissions.size) { PERMISSION_DENIED })
        screen.settle()
        assertNotNull(app.settings.visit)
        assertTrue("no service is started", generateSequence { shadowOf(app).nextStartedService }.none())
        val walk = Screen.of<WalkActivity>(screen.opened())
        assertTrue(walk.words(), walk.says(R.string.walk_refused))
        walk.look("walk-en-day-refused")
    }
}
