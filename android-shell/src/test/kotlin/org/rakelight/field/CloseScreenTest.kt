package org.rakelight.field

import android.content.Intent
import android.net.Uri
import java.io.FileNotFoundException
import org.junit.Assert.assertEquals
import org.junit.Assert.assertFalse
import org.junit.Assert.assertNotNull
import org.junit.Assert.assertNull
import org.junit.Assert.assertThrows
import org.junit.Assert.assertTrue
import org.junit.Test
import org.rakelight.core.Bank
import org.rakelight.core.Fix
import org.rakelight.core.LonLat
import org.rakelight.core.Moment
import org.robolectric.Robolectric
import org.robolectric.RuntimeEnvironment
import org.robolectric.annotation.Config

/** A visit that is closed, and its page for the landowner. */
class CloseScreenTest : OnThePhone() {
    private val app get() = RuntimeEnvironment.getApplication() as FieldApp

    /** 300 m of a stretch of 600 m, walked at an invented place. */
    private fun walked(): String {
        val visit = Demo.visit()
        app.settings.visit = visit
        val start = app.core.now()
        asked { core ->
            core.walkStretch(visit, "Invented brook", Bank.LEFT, listOf(LonLat(9.0, 53.0), LonLat(9.00894, 53.0)), null, start)
            (0..30).forEach { i -> core.addFix(visit, Fix(Moment(start.utcMs + 10_000L * i, start.offsetMinutes), 53.0, 9.0 + 0.000149 * i, 5.0)) }
        }
        return visit
    }

    @Test
    fun nothingWasFoundAndTheEffortSaysWhatThatMeans() = closed("close-en-day")

    @Test
    @Config(qualifiers = "de-w320dp-h568dp-night-xhdpi")
    fun nothingIsCutOffInGermanAtNightOnASmallScreenWithLargeLetters() {
        RuntimeEnvironment.setFontScale(2f)
        closed("close-de-night-small-large")
    }

    private fun closed(name: String) {
        val visit = walked()
        val screen = Screen.open<CloseActivity>(FieldScreen.VISIT to visit)
        assertTrue(screen.words(), screen.says(R.string.close_not_searched))
        screen.look("$name-1")
        val unknown = screen.words()
        screen.type(R.string.rain_days, "6")
        screen.press(R.string.water_normal)
        screen.press(R.string.ground_most)
        assertFalse("what was said of the day changes what an absence means", unknown == screen.words())
        screen.crash()
        assertTrue("what was said of the day outlives a crash", screen.chosen().contains(screen.string(R.string.water_normal)))
        assertEquals(6, asked { it.weather(visit) }.daysWithoutRain)
        screen.look("$name-2")
        screen.press(R.string.close_now)
        assertNotNull(asked { it.visitLine(visit) }.end)
        assertNull("no visit is under way", app.settings.visit)
        assertTrue("the track is written", asked { it.drafts("track/") }.isEmpty())
        val summary = Screen.of<SummaryActivity>(screen.opened())
        assertTrue(summary.activity.file!!.readText().contains("Invented brook"))
        summary.look("$name-3-summary")
        summary.press(R.string.summary_share)
        shared(summary.opened())
    }

    private fun shared(chooser: Intent) {
        assertEquals(Intent.ACTION_CHOOSER, chooser.action)
        val send = chooser.getParcelableExtra(Intent.EXTRA_INTENT, Intent::class.java)!!
        assertTrue("the other app may read it", send.flags and Intent.FLAG_GRANT_READ_URI_PERMISSION != 0)
        val files = Robolectric.buildContentProvider(SharedFiles::class.java).create(SharedFiles.AUTHORITY).get()
        val uri = send.getParcelableExtra(Intent.EXTRA_STREAM, Uri::class.java)!!
        files.openFile(uri, "r").use { assertTrue(it.statSize > 1000) }
        assertEquals("text/html", files.getType(uri))
        val outside = Uri.parse("content://${SharedFiles.AUTHORITY}/..%2F..%2Ffiles%2Fstore%2Frakelight.sqlite")
        listOf(outside, Uri.parse("content://${SharedFiles.AUTHORITY}/nothing.html")).forEach {
            assertThrows(FileNotFoundException::class.java) { files.openFile(it, "r") }
        }
        assertThrows(FileNotFoundException::class.java) { files.openFile(uri, "w") }
    }

    @Test
    fun aSignThatIsNotFinishedIsShownBeforeTheVisitIsClosed() {
        val visit = walked()
        asked { it.keepDraft(Signs.draftName(visit, "dropping-1790000000"), Draft().with("time", "1790000000000,0").toString()) }
        val screen = Screen.open<CloseActivity>(FieldScreen.VISIT to visit)
        assertTrue(screen.says(R.string.close_unfinished))
        screen.press(R.string.kind_dropping)
        assertEquals("dropping-1790000000", screen.opened().getStringExtra(FieldScreen.SIGN))
    }
}
