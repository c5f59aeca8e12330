package org.rakelight.field

import android.app.Activity
import android.content.ComponentName
import android.content.Intent
import android.content.IntentFilter
import android.speech.RecognizerIntent
import org.junit.Assert.assertEquals
import org.junit.Assert.assertFalse
import org.junit.Assert.assertNotNull
import org.junit.Assert.assertTrue
import org.junit.Test
import org.rakelight.core.Place
import org.rakelight.core.SignKind
import org.robolectric.RuntimeEnvironment
import org.robolectric.Shadows.shadowOf
import org.robolectric.annotation.Config

/** Every sign that is neither print nor trail. */
class SignScreenTest : OnThePhone() {
    private val app get() = RuntimeEnvironment.getApplication() as FieldApp
    private val visit by lazy { Demo.visit() }

    private fun open(kind: SignKind): Screen<SignActivity> {
        app.positions = object : Positions {
            override val latest = Place(54.0, 7.6, 6.0)
        }
        return Screen.open(FieldScreen.VISIT to visit, FieldScreen.SIGN to "${kind.name.lowercase()}-1790000000")
    }

    @Test
    fun aSpraintWithItsContentsAndAPot() = spraint("dropping-en-day")

    @Test
    @Config(qualifiers = "de-w320dp-h568dp-night-xhdpi")
    fun aSpraintInGermanAtNightOnASmallScreenWithLargeLetters() {
        RuntimeEnvironment.setFontScale(2f)
        spraint("dropping-de-night-small-large")
    }

    private fun spraint(name: String) {
        app.settings.me = "A. Walker"
        val screen = open(SignKind.DROPPING)
        assertTrue("gloves come first", screen.words().contains(asked { it.signCaution(SignKind.DROPPING) }!!))
        screen.look("$name-1-start")
        val choices = asked { it.choices() }
        listOf("fish_scales", "fish_bones").forEach { id -> screen.press(choices.contents.first { it.id == id }.text) }
        screen.press(choices.smells.first { it.id == "sweet_fishy" }.text)
        screen.answer(R.string.prominent_label, R.string.yes)
        screen.answer(R.string.sample_head, R.string.sample_taken)
        screen.type(R.string.pot_label, "K 7")
        screen.type(R.string.note_label, "On the raised stone")
        screen.crash()
        assertTrue("what was chosen outlives a crash: ${screen.chosen()}", screen.chosen().contains(choices.contents.first { it.id == "fish_bones" }.text))
        screen.look("$name-2-answered")
        assertEquals("lutra_lutra", screen.activity.answer!!.candidates.first().maker)
        screen.press(R.string.keep_sign)
        val noted = asked { it.signs(visit) }.single()
        assertEquals(listOf("K 7"), noted.pots)
        assertEquals("On the raised stone", noted.note)
        assertTrue(noted.hasPlace)
        assertEquals("A. Walker", asked { it.samples(visit) }.single().heldBy)
        assertTrue(screen.activity.isFinishing)
    }

    @Test
    fun aPotWithoutAnInscriptionIsRefusedAndNothingIsLost() {
        val screen = open(SignKind.HAIR)
        screen.answer(R.string.sample_head, R.string.sample_taken)
        screen.press(R.string.keep_sign)
        assertTrue(screen.says(R.string.problem_input))
        screen.press(R.string.back_to_it)
        assertFalse(screen.activity.isFinishing)
        assertTrue(screen.chosen().contains(screen.string(R.string.sample_taken)))
    }

    @Test
    fun anAnswerThatIsPressedAgainIsTakenBack() {
        val screen = open(SignKind.SLIDE)
        screen.answer(R.string.ask_below_high_water, R.string.yes)
        assertEquals(listOf(screen.string(R.string.yes)), screen.chosen())
        screen.answer(R.string.ask_below_high_water, R.string.yes)
        assertTrue(screen.chosen().isEmpty())
    }

    @Test
    fun aRestingPlaceIsNeverPhotographedAndSaysWhy() {
        val screen = open(SignKind.RESTING_PLACE)
        assertTrue(screen.words().contains(asked { it.signCaution(SignKind.RESTING_PLACE) }!!))
        assertTrue(screen.buttons().none { it.text == screen.string(R.string.another_photo) })
        screen.look("resting-place-en-day")
    }

    @Test
    fun aDeadAnimalSaysWhatItWasAndWhoWasTold() {
        val screen = open(SignKind.DEAD_ANIMAL)
        screen.press(asked { it.choices() }.makers.first { it.id == "lutra_lutra" }.text)
        screen.type(R.string.told_label, "the county's wildlife office")
        screen.look("dead-animal-en-day")
        screen.press(R.string.keep_sign)
        val noted = asked { it.signs(visit) }.single()
        assertNotNull(noted.maker)
        assertTrue(noted.note!!, noted.note!!.contains("the county's wildlife office"))
    }

    @Test
    fun aNoteCanBeSpokenWhereThePhoneHasARecogniser() {
        val speaks = Intent(RecognizerIntent.ACTION_RECOGNIZE_SPEECH)
        assertTrue("none is offered where there is none", open(SignKind.SLIDE).buttons().none { "${it.text}" == app.getString(R.string.speak) })
        val recogniser = ComponentName("org.example.speech", "Recogniser")
        shadowOf(app.packageManager).addActivityIfNotPresent(recogniser)
        shadowOf(app.packageManager).addIntentFilterForActivity(recogniser, IntentFilter(speaks.action).apply { addCategory(Intent.CATEGORY_DEFAULT) })
        val screen = open(SignKind.SLIDE)
        screen.press(R.string.speak)
        val asked = shadowOf(screen.activity).nextStartedActivityForResult.intent
        assertTrue("without the network", asked.getBooleanExtra(RecognizerIntent.EXTRA_PREFER_OFFLINE, false))
        val heard = Intent().putStringArrayListExtra(RecognizerIntent.EXTRA_RESULTS, arrayListOf("worn smooth down to the water"))
        shadowOf(screen.activity).receiveResult(asked, Activity.RESULT_OK, heard)
        screen.settle()
        screen.press(R.string.keep_sign)
        assertEquals("worn smooth down to the water", asked { it.signs(visit) }.single().note)
    }
}
