package org.rakelight.field

import android.app.job.JobInfo
import android.app.job.JobScheduler
import java.io.File
import java.nio.file.Files
import org.junit.After
import org.junit.Assert.assertEquals
import org.junit.Assert.assertFalse
import org.junit.Assert.assertTrue
import org.junit.Test
import org.robolectric.RuntimeEnvironment
import org.robolectric.annotation.Config

/** The exchange with the real base, and what is set once for all visits. */
class ExchangeScreenTest : OnThePhone() {
    private val app get() = RuntimeEnvironment.getApplication() as FieldApp
    private val folder = Files.createTempDirectory("rakelight").toFile()
    private val base by lazy { TestBase(File(folder, "base")) }

    @After
    fun stop() {
        base.close()
        folder.deleteRecursively()
    }

    @Test
    fun aTypedInvitationIsTakenUpAndWhatWasWrittenGoes() = join("exchange-en-day")

    @Test
    @Config(qualifiers = "de-w320dp-h568dp-night-xhdpi")
    fun nothingIsCutOffInGermanAtNightOnASmallScreenWithLargeLetters() {
        RuntimeEnvironment.setFontScale(2f)
        join("exchange-de-night-small-large")
    }

    private fun join(name: String) {
        Demo.visit()
        val screen = Screen.open<ExchangeActivity>()
        assertTrue(screen.says(R.string.base_none))
        screen.look("$name-1-none")
        screen.press(R.string.join_type)
        screen.type(R.string.invitation_label, base.invite("A. Walker"))
        screen.crash()
        screen.press(R.string.join)
        assertTrue(screen.words(), screen.activity.outcome!!.entriesOut > 0)
        assertTrue(screen.says(R.string.exchange_done))
        screen.look("$name-2-exchanged", stable = false) // The base's port is another one each time.
        screen.press(R.string.exchange_now)
        assertEquals(0, screen.activity.outcome!!.entriesOut)
    }

    @Test
    fun aWrongInvitationSaysWhatToDoAndStaysToBeCorrected() {
        val screen = Screen.open<ExchangeActivity>()
        screen.press(R.string.join_type)
        screen.type(R.string.invitation_label, "rakelight:join?code=7KQ2")
        screen.press(R.string.join)
        assertTrue(screen.words(), screen.says(R.string.problem_input))
        screen.press(R.string.back_to_it)
        assertEquals("rakelight:join?code=7KQ2", screen.activity.draft["invitation"])
    }

    @Test
    fun anInvitationThatWasScannedIsTakenUpAtOnce() {
        Demo.visit()
        val screen = Screen.open<ExchangeActivity>(ExchangeActivity.INVITATION to base.invite("A. Walker"))
        assertTrue(screen.words(), screen.says(R.string.exchange_done))
    }

    @Test
    fun theLanguageTheHandAndTheNameStay() {
        val screen = Screen.open<ExchangeActivity>()
        screen.type(R.string.me_label, "Ida Fennwick")
        screen.answer(R.string.hand_label, R.string.hand_left)
        screen.press("Polski")
        screen.recreate()
        assertTrue(screen.words(), screen.words().contains("Baza i ustawienia"))
        assertEquals("Ida Fennwick", app.settings.me)
        assertTrue(app.settings.leftHanded)
        assertEquals("the core speaks it too", "żwir", asked { it.choices() }.substrates.first { it.id == "gravel" }.text)
    }

    @Test
    fun theMainButtonLiesOnTheThumbsSide() {
        val screen = Screen.open<ExchangeActivity>()
        fun places() = listOf(R.string.join_scan, R.string.join_type).map { text ->
            val at = IntArray(2)
            screen.buttons().first { "${it.text}" == screen.string(text) }.getLocationInWindow(at)
            at[0]
        }
        val (main, other) = places()
        assertTrue("right-handed: $main, $other", main > other)
        screen.answer(R.string.hand_label, R.string.hand_left)
        screen.recreate()
        val (mainLeft, otherLeft) = places()
        assertTrue("left-handed: $mainLeft, $otherLeft", mainLeft < otherLeft)
    }

    @Test
    fun aCheckLineThatCantBeIsNotTaken() {
        val screen = Screen.open<ExchangeActivity>()
        screen.type(R.string.check_line_label, "9.9")
        assertEquals(null, app.settings.checkLineMm)
        screen.type(R.string.check_line_label, "99,2")
        assertEquals("99,2", app.settings.checkLineMm)
    }

    @Test
    fun itExchangesByItselfOnlyWhereThatWasAskedForAndCostsNothing() {
        val screen = Screen.open<ExchangeActivity>()
        val jobs = app.getSystemService(JobScheduler::class.java)!!
        assertTrue(jobs.allPendingJobs.isEmpty())
        screen.answer(R.string.alone_label, R.string.yes)
        val job = jobs.allPendingJobs.single()
        @Suppress("DEPRECATION")
        assertEquals(JobInfo.NETWORK_TYPE_UNMETERED, job.networkType)
        assertTrue(job.isPersisted)
        screen.answer(R.string.alone_label, R.string.no)
        assertTrue(jobs.allPendingJobs.isEmpty())
        assertFalse(app.settings.exchangesAlone)
    }
}
