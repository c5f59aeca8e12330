package org.rakelight.field

import android.content.Intent
import android.graphics.Bitmap
import android.graphics.BitmapFactory
import android.graphics.Canvas
import android.graphics.Rect
import java.io.File
import java.nio.file.Files
import org.junit.Assert.assertEquals
import org.junit.Assert.assertFalse
import org.junit.Assert.assertTrue
import org.junit.Test
import org.robolectric.RuntimeEnvironment
import org.robolectric.Shadows.shadowOf
import org.robolectric.annotation.Config

/** An invitation read off the base's screen. */
class ScanScreenTest : OnThePhone() {
    /** A code as the camera sees it, in the middle of the picture. */
    private fun seen(code: File): Bitmap = PlayedCamera.ground.copy(Bitmap.Config.ARGB_8888, true).also {
        val drawn = checkNotNull(BitmapFactory.decodeFile(code.path))
        Canvas(it).drawBitmap(drawn, null, Rect(340, 180, 940, 780), null)
    }

    private val otherCode = File("src/test/pictures/other-code.png")

    @Test
    fun aBasesInvitationIsReadAndTakenToTheExchange() {
        val folder = Files.createTempDirectory("rakelight").toFile()
        val code = File(folder, "invitation.png")
        val said = TestBase(File(folder, "base")).use { base ->
            base.run("invite", "--store", base.store.path, "--name", "A. Walker", "--role", "field_worker", "--png", code.path, "--json")
        }
        val invitation = Regex("\"invitation\": \"([^\"]*)\"").find(said)!!.groupValues[1]
        val played = Played()
        val screen = Screen.open<ScanActivity>()
        played.camera.play(PlayedCamera.ground)
        screen.settle()
        assertTrue(screen.says(R.string.scan_prompt))
        played.camera.play(seen(code))
        screen.settle()
        val opened = screen.opened()
        assertEquals(ExchangeActivity::class.java.name, opened.component?.className)
        assertEquals(invitation, opened.getStringExtra(ExchangeActivity.INVITATION))
        assertTrue(opened.flags and Intent.FLAG_ACTIVITY_CLEAR_TOP != 0 && opened.flags and Intent.FLAG_ACTIVITY_SINGLE_TOP != 0)
        assertTrue(screen.activity.isFinishing)
        folder.deleteRecursively()
    }

    @Test
    fun anotherCodeIsNoInvitation() = other("scan-en-day")

    @Test
    @Config(qualifiers = "de-w320dp-h568dp-night-xhdpi")
    fun nothingIsCutOffInGermanAtNightOnASmallScreenWithLargeLetters() {
        RuntimeEnvironment.setFontScale(2f)
        other("scan-de-night-small-large")
    }

    private fun other(name: String) {
        val played = Played()
        val screen = Screen.open<ScanActivity>()
        screen.look("$name-1-aim")
        played.camera.play(seen(otherCode))
        screen.settle()
        assertTrue(screen.words(), screen.says(R.string.scan_other))
        screen.look("$name-2-other")
        assertFalse(screen.activity.isFinishing)
        assertEquals(null, shadowOf(screen.activity).nextStartedActivity)
        screen.recreate()
        assertTrue(screen.says(R.string.scan_prompt))
    }

    @Test
    fun refusedTheCameraTheInvitationIsTyped() {
        Played(may = false)
        val screen = Screen.open<ScanActivity>()
        assertTrue(screen.says(R.string.scan_why))
        screen.look("scan-en-day-3-asked")
        screen.press(R.string.back)
        assertTrue("typing is offered where the scan was asked for", screen.activity.isFinishing)
    }
}
