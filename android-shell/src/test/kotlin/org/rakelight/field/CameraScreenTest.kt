package org.rakelight.field

import android.app.Activity
import android.content.Intent
import android.hardware.Sensor
import android.hardware.SensorManager
import android.provider.MediaStore
import android.util.Size
import android.view.KeyEvent
import java.io.File
import java.io.FileNotFoundException
import java.time.Instant
import org.junit.Assert.assertEquals
import org.junit.Assert.assertFalse
import org.junit.Assert.assertNull
import org.junit.Assert.assertThrows
import org.junit.Assert.assertTrue
import org.junit.Test
import org.robolectric.Robolectric
import org.robolectric.RuntimeEnvironment
import org.robolectric.Shadows.shadowOf
import org.robolectric.annotation.Config
import org.robolectric.shadows.ShadowSensor

/** A sign photographed: what the screen says while aiming, and that every photograph reaches its sign. */
class CameraScreenTest : OnThePhone() {
    private val print = "print-1790000000"

    private fun open(sign: String = print, visit: String = Demo.visit()) = Screen.open<CameraActivity>(FieldScreen.VISIT to visit, FieldScreen.SIGN to sign)

    private fun Screen<CameraActivity>.draft(visit: String, sign: String = print) = Draft.of(asked { it.draft(Signs.draftName(visit, sign)) })

    /** The sun over Severn Beach on 15 January 2026, 09:00 UTC, by pvlib. */
    private val sun = File("../fixtures/reference/sun_pvlib.csv").readLines().first { it.startsWith("Severn Beach,") }.split(',')

    private fun Played.morning() {
        at(sun[1].toDouble(), sun[2].toDouble())
        app.clock = { Instant.parse(sun[3].replace(' ', 'T').replace("Z", ":00Z")) }
    }

    @Test
    fun theScreenTellsWhatToDoUntilTheCardLiesRight() = aim("camera-en-day")

    @Test
    @Config(qualifiers = "de-w320dp-h568dp-night-xhdpi")
    fun nothingIsCutOffInGermanAtNightOnASmallScreenWithLargeLetters() {
        RuntimeEnvironment.setFontScale(2f)
        aim("camera-de-night-small-large")
    }

    @Test
    @Config(qualifiers = "pl-w360dp-h720dp-xhdpi")
    fun nothingIsCutOffInPolish() = aim("camera-pl-day")

    private fun aim(name: String) {
        val played = Played(may = false).apply { morning() }
        val screen = open()
        screen.look("$name-1-asked")
        screen.press(R.string.camera_allow)
        shadowOf(played.app).grantPermissions(android.Manifest.permission.CAMERA)
        screen.activity.onRequestPermissionsResult(0, arrayOf(), intArrayOf())
        screen.settle()
        played.camera.play(PlayedCamera.ground)
        played.attitude.play(12.0, 44.0)
        screen.settle()
        assertTrue(screen.words(), screen.says(R.string.preview_no_card))
        assertTrue(screen.words(), screen.words().contains(screen.string(R.string.tilted, "12")))
        assertTrue(screen.words(), screen.says(R.string.sun_right))
        screen.look("$name-2-no-card")
        played.camera.play(PlayedCamera.picture(Demo.otter))
        played.attitude.play(2.0, 134.0)
        screen.settle()
        assertTrue(screen.words(), screen.says(R.string.preview_good))
        assertTrue(screen.words(), screen.says(R.string.level))
        assertTrue(screen.words(), screen.says(R.string.sun_ahead))
        screen.look("$name-3-good")
        played.camera.fail()
        screen.settle()
        screen.look("$name-4-failed")
    }

    @Test
    fun whatAPreviewLacksIsSaid() {
        val played = Played()
        val screen = open()
        assertTrue(screen.says(R.string.preview_looking))
        played.camera.play(PlayedCamera.picture(Demo.otter), photoWidthPx = 1280)
        screen.settle()
        val near = screen.words()
        val picture = PlayedCamera.picture(Demo.otter, 320)
        played.camera.play(picture, photoWidthPx = 320)
        screen.settle()
        assertTrue("$near / ${screen.words()}", screen.says(R.string.preview_far))
        val blurred = android.graphics.Bitmap.createScaledBitmap(PlayedCamera.picture(Demo.otter, 300), 1280, 960, true)
        played.camera.play(blurred)
        screen.settle()
        assertTrue(screen.words(), screen.says(R.string.preview_blurred))
        val part = PlayedCamera.picture(Demo.otter).let { android.graphics.Bitmap.createBitmap(it, 0, 0, it.width * 6 / 10, it.height) }
        played.camera.play(part)
        screen.settle()
        assertTrue(screen.words(), screen.says(R.string.preview_part))
    }

    @Test
    fun theSunIsWhereItStandsAndTheWorkerIsSentToWhereThePrintLiesBetween() {
        val played = Played().apply { morning() }
        val screen = open()
        val azimuth = sun[6].toDouble()
        listOf(0 to R.string.sun_ahead, -90 to R.string.sun_right, 90 to R.string.sun_left, 180 to R.string.sun_behind).forEach { (turned, said) ->
            played.attitude.play(0.0, (azimuth + turned).mod(360.0))
            screen.settle()
            assertTrue("$turned: ${screen.words()}", screen.says(said))
        }
        played.attitude.play(0.0, null)
        screen.settle()
        assertFalse("without a compass nothing is said of the sun", screen.says(R.string.sun_behind))
        played.app.clock = { Instant.parse("2026-01-15T22:00:00Z") }
        played.attitude.play(0.0, 10.0)
        screen.settle()
        assertTrue(screen.words(), screen.says(R.string.sun_down))
        screen.press(R.string.light)
        assertTrue(played.camera.lit && played.camera.isOpen)
        screen.look("camera-en-day-5-dusk")
        screen.press(R.string.light)
        assertFalse(played.camera.lit)
    }

    @Test
    fun whereThePhoneDoesntKnowItsPlaceNothingIsSaidOfTheSun() {
        val played = Played()
        val screen = open()
        played.attitude.play(0.0, 134.0)
        screen.settle()
        assertTrue(screen.says(R.string.level))
        assertFalse(screen.words(), screen.says(R.string.sun_ahead))
    }

    @Test
    fun eitherVolumeKeyTakesThePhotographOnce() = listOf(KeyEvent.KEYCODE_VOLUME_DOWN, KeyEvent.KEYCODE_VOLUME_UP).forEach { key ->
        Played()
        val visit = Demo.visit()
        val screen = open(visit = visit)
        screen.activity.dispatchKeyEvent(KeyEvent(0, 0, KeyEvent.ACTION_DOWN, key, 0))
        screen.activity.dispatchKeyEvent(KeyEvent(0, 9, KeyEvent.ACTION_DOWN, key, 1))
        screen.activity.dispatchKeyEvent(KeyEvent(0, 10, KeyEvent.ACTION_UP, key, 0))
        screen.settle()
        val opened = screen.opened()
        val sha256 = opened.getStringExtra(FieldScreen.PHOTO)!!
        assertEquals(sha256, asked { it.photo(sha256) }.sha256)
        assertEquals(listOf(sha256), screen.draft(visit).list("photos"))
        assertTrue(screen.activity.isFinishing)
        assertNull(shadowOf(screen.activity).nextStartedActivity)
    }

    @Test
    fun aPhotographOpensTheScreenOfItsSign() {
        val played = Played()
        val visit = Demo.visit()
        listOf(print to MeasureActivity::class, "trail-1790000001" to TrailActivity::class, "dropping-1790000002" to SignActivity::class).forEach { (sign, kind) ->
            val screen = open(sign, visit)
            screen.press(R.string.shutter)
            val opened = screen.opened()
            assertEquals(kind.java.name, opened.component?.className)
            assertEquals(visit to sign, opened.getStringExtra(FieldScreen.VISIT) to opened.getStringExtra(FieldScreen.SIGN))
            assertTrue(opened.flags and Intent.FLAG_ACTIVITY_CLEAR_TOP != 0 && opened.flags and Intent.FLAG_ACTIVITY_SINGLE_TOP != 0)
            assertEquals(emptyList<File>(), played.app.taken.waiting())
        }
        val measure = Screen.of<MeasureActivity>(Intent(played.app, MeasureActivity::class.java).putExtra(FieldScreen.VISIT, visit).putExtra(FieldScreen.SIGN, print))
        assertTrue("it is measured there: ${measure.words()}", measure.says(R.string.mark_middle))
    }

    @Test
    fun ofADroppingNeitherCardNorLevelIsAsked() {
        val played = Played()
        val screen = open("dropping-1790000002")
        played.camera.play(PlayedCamera.ground)
        played.attitude.play(30.0, 134.0)
        screen.settle()
        assertTrue(screen.says(R.string.kind_dropping))
        assertFalse(screen.words(), screen.says(R.string.preview_no_card) || screen.words().contains("30"))
        screen.look("camera-en-day-6-dropping")
        played.attitude.play(80.0)
        screen.press(R.string.shutter)
        assertEquals("the phone is held across", 270, played.camera.turnedDeg)
    }

    @Test
    fun ofATrailTheCardIsSeenFromFartherAway() {
        val played = Played()
        val screen = open("trail-1790000001")
        played.camera.play(PlayedCamera.ground)
        screen.settle()
        screen.look("camera-en-day-7-trail")
        played.camera.play(PlayedCamera.picture(File("../fixtures/demo-visit/IMG_0103.jpg")))
        screen.settle()
        assertTrue(screen.words(), screen.says(R.string.preview_good) || screen.says(R.string.preview_blurred) || screen.says(R.string.preview_no_card))
        screen.look("camera-en-day-8-trail-card")
    }

    @Test
    fun aPhoneThatDiesBetweenShutterAndStoreLosesNothing() {
        val played = Played()
        val visit = Demo.visit()
        val screen = open(visit = visit)
        played.camera.tellsOfIt = false
        screen.press(R.string.shutter)
        val file = played.app.taken.waiting().single()
        file.resolveSibling("IMG_cut_off.jpg").let { cut ->
            File("../fixtures/demo-visit/IMG_0109_cut_off.jpg").copyTo(cut)
            File("../fixtures/demo-visit/IMG_0102.jpg").copyTo(file.resolveSibling("IMG_second.jpg.part"))
            played.app.onCreate()
            val draft = screen.draft(visit)
            assertEquals(2, draft.list("photos").size)
            assertTrue("one is what is measured", draft["measured"] in draft.list("photos"))
            draft.list("photos").forEach { sha256 -> assertEquals(sha256, asked { it.photo(sha256) }.sha256) }
            assertTrue("with the time of the shutter", draft["time"] != null)
            assertEquals("what can't be read stays", listOf(cut), played.app.taken.waiting())
        }
        assertTrue("the sign is among the unfinished ones", asked { it.drafts(Signs.draftsOf(visit)) }.isNotEmpty())
    }

    @Test
    fun aPhotographThatDoesntComeIsSaidAndCanBeTakenAgain() {
        val played = Played()
        val screen = open()
        played.camera.photograph = null
        screen.press(R.string.shutter)
        assertTrue(screen.words(), screen.says(R.string.camera_failed))
        assertFalse(played.camera.isOpen)
        played.camera.photograph = Demo.otter
        screen.press(R.string.camera_again)
        screen.press(R.string.shutter)
        assertTrue(screen.opened().hasExtra(FieldScreen.PHOTO))
    }

    @Test
    fun refusedTheCameraAPhotographIsStillChosen() {
        Played(may = false)
        val visit = Demo.visit()
        val screen = open(visit = visit)
        screen.press(R.string.camera_allow)
        screen.activity.onRequestPermissionsResult(0, arrayOf(), intArrayOf())
        screen.settle()
        assertTrue(screen.words(), screen.says(R.string.camera_refused))
        screen.look("camera-en-day-9-refused")
        screen.press(R.string.other_camera)
        assertEquals("where the system gives no photograph to this app it is only opened", MediaStore.INTENT_ACTION_STILL_IMAGE_CAMERA, screen.opened().action)
        screen.press(R.string.camera_settings)
        assertEquals(android.provider.Settings.ACTION_APPLICATION_DETAILS_SETTINGS, screen.opened().action)
        screen.choose(File("../fixtures/demo-visit/not_a_photograph.jpg"))
        assertTrue(screen.words(), screen.says(R.string.problem_photo))
        assertEquals("what is no photograph isn't kept", emptyList<File>(), (screen.activity.application as FieldApp).taken.waiting())
        screen.press(R.string.back_to_it)
        screen.choose(Demo.otter)
        assertEquals(screen.opened().getStringExtra(FieldScreen.PHOTO), screen.draft(visit)["measured"])
    }

    @Test
    fun whereTheCameraDoesntOpenThePhonesOwnWritesItsPhotographIntoTheOneAwaitedFile() {
        val played = Played()
        PlayedCamera.refuses = java.io.IOException("the phone has no camera that can be used")
        val visit = Demo.visit()
        val screen = open(visit = visit)
        assertTrue(screen.words(), screen.says(R.string.camera_failed))
        screen.press(R.string.other_camera)
        val asked = shadowOf(screen.activity).nextStartedActivityForResult
        assertEquals(MediaStore.ACTION_IMAGE_CAPTURE, asked.intent.action)
        val uri = @Suppress("DEPRECATION") asked.intent.getParcelableExtra<android.net.Uri>(MediaStore.EXTRA_OUTPUT)!!
        val files = Robolectric.setupContentProvider(SharedFiles::class.java, SharedFiles.AUTHORITY)
        val beside = SharedFiles.uriOfTaken(played.app.taken.path(played.app.taken.next(visit, print, played.app.core.now()).apply { createNewFile() }))
        assertThrows("no other file is written", FileNotFoundException::class.java) { files.openFile(beside, "w") }
        assertThrows(FileNotFoundException::class.java) { files.openFile(SharedFiles.uriOfTaken("../store/journal"), "w") }
        assertEquals("image/jpeg", files.getType(uri))
        screen.recreate()
        android.os.ParcelFileDescriptor.AutoCloseOutputStream(files.openFile(uri, "wt")).use { out -> Demo.otter.inputStream().use { it.copyTo(out) } }
        screen.activity.let { it.javaClass.getDeclaredMethod("onActivityResult", Int::class.java, Int::class.java, Intent::class.java).apply { isAccessible = true }.invoke(it, 1, Activity.RESULT_OK, null) }
        screen.settle()
        assertEquals(screen.opened().getStringExtra(FieldScreen.PHOTO), screen.draft(visit)["measured"])
        assertThrows("once it is there it isn't written again", FileNotFoundException::class.java) { files.openFile(uri, "w") }
    }

    @Test
    fun turnedOrThrownAwayTheScreenOpensTheCameraAnew() {
        val played = Played()
        val screen = open()
        val first = played.camera
        screen.recreate()
        assertFalse(first.isOpen)
        assertTrue(played.camera.isOpen && played.camera !== first)
        played.camera.play(PlayedCamera.picture(Demo.otter))
        screen.settle()
        assertTrue(screen.says(R.string.preview_good))
    }

    @Test
    fun noPreviewIsQueuedAndNoMoreThanFiveASecondAreLookedAt() {
        Played()
        val screen = open()
        val camera = PlayedCamera(screen.activity)
        val looked = mutableListOf<() -> Unit>()
        camera.open(PreviewGate { _, done -> looked += done }::offer) {}
        camera.play(PlayedCamera.ground)
        camera.play(PlayedCamera.ground)
        assertEquals("none while one is being looked at", 1, looked.size)
        looked.last()()
        camera.play(PlayedCamera.ground)
        assertEquals(2, looked.size)
        looked.last()()
        (0 until 4).forEach { camera.play(PlayedCamera.ground, afterMs = 49) }
        assertEquals("none within a fifth of a second", 2, looked.size)
        camera.play(PlayedCamera.ground, afterMs = 4)
        assertEquals(3, looked.size)
    }

    @Test
    fun theLargestPhotographAndThePreviewThatShowsTheSame() {
        val photos = listOf(Size(1920, 1080), Size(4000, 3000), Size(4000, 2250))
        val previews = listOf(Size(4000, 3000), Size(1280, 720), Size(640, 480), Size(1280, 960), Size(960, 960))
        val chosen = Camera2Source.choose(photos, previews)!!
        assertEquals(Size(4000, 3000) to Size(1280, 960), chosen.photo to chosen.preview)
        assertNull(Camera2Source.choose(emptyList(), previews))
    }

    @Test
    fun aPhoneHeldAcrossTakesUprightPhotographs() {
        assertEquals(0, Pose(0.0, 9.81, 1.0, null).turnedDeg)
        assertEquals("its left side down, as turned against the clock", 270, Pose(9.81, 0.0, 1.0, null).turnedDeg)
        assertEquals(90, Pose(-9.81, 0.0, 1.0, null).turnedDeg)
        assertEquals("looking down it is as the screen reads", 0, Pose(3.0, 0.0, 9.0, null).turnedDeg)
    }

    /** Rotation vectors are unit quaternions' imaginary parts; a phone that lies with its top to the north has none. */
    @Test
    fun theCompassTellsWhereTheTopPointsLyingAndUpright() {
        fun about(axis: Int, degrees: Double) = FloatArray(4).also {
            it[axis] = Math.sin(Math.toRadians(degrees / 2)).toFloat()
            it[3] = Math.cos(Math.toRadians(degrees / 2)).toFloat()
        }
        assertEquals(0.0, PhoneAttitude.headingDeg(about(2, 0.0)), 1e-4)
        assertEquals("a quarter against the clock is to the west", 270.0, PhoneAttitude.headingDeg(about(2, 90.0)), 1e-4)
        listOf(30.0, 60.0, 90.0).forEach { assertEquals("raised", 0.0, (PhoneAttitude.headingDeg(about(0, it)) + 180).mod(360.0) - 180, 1e-4) }
        assertEquals("on a screen turned a quarter its top is the phone's right", 90.0, PhoneAttitude.headingDeg(about(2, 0.0), quarter = 1), 1e-4)
    }

    @Test
    fun thePhonesSensorsGiveTruePoses() {
        Played()
        val screen = open()
        val sensors = screen.activity.getSystemService(SensorManager::class.java)
        val (gravity, turn) = listOf(Sensor.TYPE_GRAVITY, Sensor.TYPE_ROTATION_VECTOR).map { ShadowSensor.newInstance(it).also(shadowOf(sensors)::addSensor) }
        val poses = mutableListOf<Pose>()
        PhoneAttitude(screen.activity) { 2.0 }.start { poses += it }
        fun send(sensor: Sensor, vararg values: Float) = org.robolectric.shadows.SensorEventBuilder.newBuilder()
            .setSensor(sensor).setValues(values).setAccuracy(SensorManager.SENSOR_STATUS_ACCURACY_HIGH).build().let { shadowOf(sensors).sendSensorEventToListeners(it) }
        send(gravity, 0f, 0f, 9.81f)
        assertNull(poses.last().headingDeg)
        send(turn, 0f, 0f, 0f, 1f)
        assertEquals("magnetic north lies 2° east of true north", 2.0, poses.last().headingDeg!!, 1e-4)
        assertEquals(0.0, poses.last().tiltDeg, 1e-6)
    }
}
