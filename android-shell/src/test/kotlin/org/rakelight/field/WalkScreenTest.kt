package org.rakelight.field

import android.Manifest.permission.ACCESS_FINE_LOCATION
import android.app.NotificationManager
import android.content.Intent
import android.location.Location
import android.location.LocationManager
import android.os.Looper
import android.os.Vibrator
import android.widget.TextView
import java.io.File
import java.time.Duration
import java.time.LocalTime
import org.junit.After
import org.junit.Assert.assertEquals
import org.junit.Assert.assertFalse
import org.junit.Assert.assertNull
import org.junit.Assert.assertTrue
import org.junit.Before
import org.junit.Test
import org.rakelight.core.Consent
import org.rakelight.core.SignKind
import org.rakelight.core.VisitHead
import org.rakelight.core.Workspace
import org.robolectric.Robolectric
import org.robolectric.RuntimeEnvironment
import org.robolectric.Shadows.shadowOf
import org.robolectric.annotation.Config

/** The walk, its numbers, the tide, and the track that is recorded meanwhile. */
class WalkScreenTest : OnThePhone() {
    private lateinit var outdoors: Outdoors
    private val app get() = outdoors.app
    private lateinit var visit: String

    @Before
    fun begin() {
        outdoors = Outdoors()
        outdoors.handOut()
        val now = app.core.now()
        visit = asked { core ->
            val head = VisitHead("a check", listOf("lutra_lutra"), null, null, now, listOf("Ada"), Outdoors.PLACE, null, Consent.NONE, null)
            core.openVisit(head, now).also { core.walkStretch(it, Outdoors.PLACE, null, core.stretchOfPlace(Outdoors.PLACE)!!.line, null, now) }
        }
        app.settings.visit = visit
    }

    @After
    fun end() = outdoors.end()

    private fun Screen<WalkActivity>.later(seconds: Long) {
        outdoors.seconds = seconds
        shadowOf(Looper.getMainLooper()).idleFor(Duration.ofSeconds(11))
        settle()
    }

    private fun listening() = TrackService.start(app).let { outdoors.service() }

    @Test
    fun theNumbersAreThoseOfTheWalk() = walkThrough("walk-en-day")

    @Test
    @Config(qualifiers = "de-w320dp-h568dp-night-xhdpi")
    fun nothingIsCutOffInGermanAtNightOnASmallScreenWithLargeLetters() {
        RuntimeEnvironment.setFontScale(2f)
        walkThrough("walk-de-night-small-large")
    }

    private fun walkThrough(name: String) {
        outdoors.typeTide()
        listening()
        outdoors.walk(0..59)
        noteADropping()
        val screen = Screen.open<WalkActivity>()
        // 59 steps of 0.0000667 degrees at 53° N on WGS84: 67.1 m to a thousandth of a degree.
        val covered = asked { it.walking(visit, null, app.core.now(), outdoors.fix(59)) }.stretch!!
        assertEquals(0.0000667 * 59 * 67_140, covered.coveredM, 8.0)
        assertTrue(screen.words(), screen.words().contains(screen.string(R.string.walk_covered, app.number(covered.coveredM), app.metres(covered.lengthM))))
        assertTrue(screen.words(), screen.words().contains(screen.string(R.string.walk_good, app.metres(6.0))))
        // Back by 09:40, now 08:09:50.
        assertTrue(screen.words(), screen.words().contains(screen.string(R.string.walk_minutes, "90")))
        screen.look("$name-1-walk")
        screen.scrollTo(screen.string(R.string.walk_found))
        screen.draw("$name-2-signs")
        screen.press(R.string.kind_print)
        val camera = screen.opened()
        assertEquals(CameraActivity::class.java.name, camera.component?.className)
        assertEquals(visit to SignKind.PRINT, camera.getStringExtra(FieldScreen.VISIT) to Signs.kindOf(camera.getStringExtra(FieldScreen.SIGN)!!))
        SignKind.entries.forEach { kind ->
            screen.press(kind.word)
            assertEquals(kind, Signs.kindOf(screen.opened().getStringExtra(FieldScreen.SIGN)!!))
        }
        screen.later(6000 - 14 * 60)
        assertTrue(screen.words(), screen.words().contains(screen.string(R.string.walk_minutes, "14")))
        screen.scrollTo(screen.string(R.string.walk_minutes, "14"))
        screen.look("$name-3-soon")
        screen.later(6000 + 5 * 60)
        assertTrue(screen.words(), screen.says(R.string.walk_now))
        screen.look("$name-4-turn-back")
        screen.press("${screen.string(R.string.walk_signs)}: 1")
        screen.look("$name-5-noted")
        screen.press(R.string.back)
        screen.press(R.string.walk_close)
        assertEquals(CloseActivity::class.java.name, screen.opened().component?.className)
    }

    private fun noteADropping() {
        val sign = Signs.newId(SignKind.DROPPING, app.core.now())
        val screen = Screen.open<SignActivity>(FieldScreen.VISIT to visit, FieldScreen.SIGN to sign)
        screen.press(R.string.keep_sign)
    }

    @Test
    fun theMinutesCountDownAndAreFeltOnceBeforeAndOnceWhenDue() {
        outdoors.typeTide()
        val screen = Screen.open<WalkActivity>()
        val vibrator = shadowOf(app.getSystemService(Vibrator::class.java))
        assertTrue(screen.words().contains(screen.string(R.string.walk_minutes, "100")))
        assertNull("nothing is felt so early", vibrator.pattern)
        screen.later(6000 - 15 * 60)
        assertTrue(screen.words().contains(screen.string(R.string.walk_minutes, "15")))
        val soon = vibrator.pattern!!.size
        val felt = app.settings.turnBackFelt
        screen.later(6000 - 14 * 60)
        assertEquals("it is felt once", felt, app.settings.turnBackFelt)
        screen.later(6000 + 60)
        assertTrue("it is felt longer when it is due", vibrator.pattern!!.size > soon)
        val red = screen.all().filterIsInstance<TextView>().first { "${it.text}" == screen.string(R.string.walk_now) }
        assertEquals(app.getColor(R.color.problem), red.currentTextColor)
        screen.later(14_000)
        assertTrue(screen.words(), screen.says(R.string.walk_water))
    }

    @Test
    fun withTheScreenOffTheTrackStillWarns() {
        outdoors.typeTide()
        val screen = Screen.open<WalkActivity>()
        listening()
        screen.crash()
        val vibrator = shadowOf(app.getSystemService(Vibrator::class.java))
        assertNull(vibrator.pattern)
        outdoors.seconds = 6000 - 10 * 60
        outdoors.receiver.tell(outdoors.fix(540))
        assertTrue(vibrator.pattern != null)
    }

    @Test
    fun aTableThatDoesNotReachNowIsSaid() {
        outdoors.typeTide(highAfter = null)
        outdoors.seconds = 8 * 3600
        val screen = Screen.open<WalkActivity>()
        assertTrue(screen.words(), screen.words().contains("2026-10-03 03:10"))
        screen.look("walk-en-day-6-table-ends")
        asked { it.keepDraft("tide/2026-10-03/${Outdoors.PLACE}", "${Draft().with("time0", "3:10").with("height0", "x")}") }
        screen.later(8 * 3600)
        assertTrue("a table that isn't whole is said", screen.says(R.string.walk_tide_half))
    }

    @Test
    fun aKilledAppLosesNoFix() {
        listening()
        outdoors.walk(0..30)
        // The process is gone without a word; the system makes the service anew, without an intent.
        val before = asked { it.walking(visit, null, app.core.now(), null) }
        app.onCreate()
        assertEquals("what was left over is written", emptyList<String>(), asked { it.drafts("track/") })
        Robolectric.buildService(TrackService::class.java, null).create().get().onStartCommand(null, 0, 1)
        outdoors.walk(31..59)
        Workspace.open(File(app.noBackupFilesDir, "store").path, "en").use { other ->
            val after = other.walking(visit, null, app.core.now(), null)
            assertTrue("${before.walkedM} then ${after.walkedM}", after.walkedM > before.walkedM + 100)
            assertEquals("nothing is missing between", 0.0000667 * 59 * 67_140, after.stretch!!.coveredM, 12.0)
        }
    }

    @Test
    fun aClockThatIsSetBackEndsThePieceAndTheTrackGoesOn() {
        listening()
        outdoors.walk(10..20)
        outdoors.receiver.tell(outdoors.fix(5))
        outdoors.walk(21..30)
        val walked = asked { it.walking(visit, null, app.core.now(), null) }.walkedM
        assertTrue("$walked m", walked > 60)
    }

    @Test
    fun theTrackIsPausedFromTheScreenAndFromTheNotification() {
        val service = listening()
        outdoors.walk(0..10)
        val screen = Screen.open<WalkActivity>()
        screen.press(R.string.walk_pause)
        assertTrue(screen.says(R.string.walk_paused))
        service.destroy()
        assertFalse(outdoors.receiver.isHeard)
        assertEquals("at a pause the track is a record", emptyList<String>(), asked { it.drafts("track/") })
        screen.crash()
        assertTrue("a pause outlives a crash", screen.says(R.string.walk_paused))
        screen.press(R.string.walk_resume)
        val again = outdoors.service()
        assertTrue(outdoors.receiver.isHeard)
        val notice = shadowOf(again.get()).lastForegroundNotification
        assertEquals(app.getString(R.string.walk_pause), notice.actions.single().title)
        again.get().onStartCommand(Intent(app, TrackService::class.java).setAction(TrackService.PAUSE), 0, 2)
        assertTrue(app.settings.trackPaused && shadowOf(again.get()).isStoppedBySelf)
    }

    @Test
    fun aPermissionThatWasTakenAwayStopsTheTrackAndIsSaid() {
        outdoors.receiver.state = Receiver.State.REFUSED
        val service = Robolectric.buildService(TrackService::class.java, null).create().get()
        service.onStartCommand(null, 0, 1)
        assertTrue(shadowOf(service).isStoppedBySelf)
        val told = shadowOf(app.getSystemService(NotificationManager::class.java)).allNotifications
        assertTrue(told.any { "${it.extras.getCharSequence("android.title")}" == app.getString(R.string.track_stopped) })
        val screen = Screen.open<WalkActivity>()
        assertTrue(screen.says(R.string.walk_refused))
        screen.press(R.string.walk_allow)
        assertTrue(ACCESS_FINE_LOCATION in shadowOf(screen.activity).lastRequestedPermission.requestedPermissions)
    }

    @Test
    fun thePhonesOwnReceiverIsHeardWithoutAnyOtherProgram() {
        shadowOf(app).grantPermissions(ACCESS_FINE_LOCATION)
        val locations = shadowOf(app.getSystemService(LocationManager::class.java))
        app.receiver = SatelliteReceiver(app)
        locations.setProviderEnabled(LocationManager.GPS_PROVIDER, false)
        assertEquals(Receiver.State.SWITCHED_OFF, app.receiver.state)
        locations.setProviderEnabled(LocationManager.GPS_PROVIDER, true)
        listening()
        val fix = outdoors.fix(3)
        locations.simulateLocation(Location(LocationManager.GPS_PROVIDER).apply {
            latitude = fix.lat
            longitude = fix.lon
            accuracy = 6f
            time = fix.at.utcMs
        })
        shadowOf(Looper.getMainLooper()).idle()
        assertEquals(fix.lat to 6.0, app.positions.latest!!.let { it.lat to it.radius68M })
        assertEquals(listOf("track/$visit"), asked { it.drafts("track/") })
        outdoors.seconds = 121
        assertNull("who walks on is elsewhere after two minutes", app.positions.latest)
    }

    @Test
    fun whatIsBeingSaidOutlivesTheScreen() {
        noteADropping()
        val screen = Screen.open<WalkActivity>()
        screen.press(R.string.walk_note)
        screen.type(R.string.walk_note_label, "Mink seen by the angler")
        screen.recreate()
        assertTrue(screen.words(), screen.words().contains("Mink seen by the angler"))
        screen.look("walk-en-day-7-note")
        screen.press(R.string.walk_note_keep)
        screen.press("${screen.string(R.string.walk_signs)}: 1")
        screen.recreate()
        screen.press(screen.buttons().first { "${it.text}".startsWith(screen.string(R.string.kind_dropping)) }.text.toString().substringBefore('\n'))
        screen.press(R.string.walk_take_back)
        assertTrue("why is asked first", screen.says(R.string.walk_why_needed))
        screen.type(R.string.walk_why, "noted twice")
        screen.recreate()
        screen.look("walk-en-day-8-take-back")
        screen.press(R.string.walk_take_back)
        assertTrue(screen.words(), screen.says(R.string.walk_no_signs))
        assertTrue(asked { it.signs(visit) }.isEmpty())
    }

    @Test
    fun theMapIsMovedByButtonsAlone() {
        listening()
        outdoors.walk(0..10)
        val screen = Screen.open<WalkActivity>()
        fun press(label: Int) = screen.buttons().first { it.contentDescription == screen.string(label) }.performClick().also { screen.settle() }
        fun drawn() = screen.draw("walk-en-day-9-map")
        val all = drawn()
        press(R.string.map_closer)
        val closer = drawn()
        assertFalse(closer.sameAs(all))
        press(R.string.map_farther)
        assertTrue("back where it was", drawn().sameAs(all))
        press(R.string.map_here)
        assertFalse(drawn().sameAs(all))
    }

    @Test
    fun aSignThatWasBegunIsFinishedFromHere() {
        val sign = Signs.newId(SignKind.HAIR, app.core.now())
        Screen.open<SignActivity>(FieldScreen.VISIT to visit, FieldScreen.SIGN to sign)
        val screen = Screen.open<WalkActivity>()
        assertTrue(screen.says(R.string.walk_unfinished))
        screen.press(R.string.kind_hair)
        assertEquals(SignActivity::class.java.name, screen.opened().component?.className)
    }

    @Test
    fun timesAreReadAsTheyAreTyped() {
        listOf("6:05", "06.05", "605", "0605", "6h05", " 6 05 ").forEach { assertEquals(it, LocalTime.of(6, 5), Tide.timeOfDay(it)) }
        listOf("", "6", "60", "25:00", "6:60", "6:5", "six").forEach { assertNull(it, Tide.timeOfDay(it)) }
    }
}
