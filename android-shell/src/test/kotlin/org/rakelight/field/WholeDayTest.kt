package org.rakelight.field

import android.view.KeyEvent
import java.io.File
import java.nio.file.Files
import org.junit.After
import org.junit.Assert.assertEquals
import org.junit.Assert.assertTrue
import org.junit.Test
import org.rakelight.core.Grade
import org.rakelight.core.Point
import org.rakelight.core.SignKind
import org.rakelight.core.StretchSearched

/** One worker's whole day, screen by screen, against the real library and a real store; in the evening it goes to a real base. All of it is invented. */
class WholeDayTest : OnThePhone() {
    private val outdoors = Outdoors()
    private val app get() = outdoors.app
    private val folder = Files.createTempDirectory("rakelight").toFile()
    private val base = TestBase(File(folder, "base"))

    @After
    fun end() {
        outdoors.end()
        base.close()
        folder.deleteRecursively()
    }

    @Test
    fun fromTheDayAheadToTheBase() {
        outdoors.handOut()
        outdoors.typeTide()
        val visit = begin()
        outdoors.walk(0..20)
        print(visit)
        outdoors.walk(21..40)
        trail(visit)
        spraint(visit)
        outdoors.walk(41..60)
        val searched = close(visit)
        assertEquals(0.0000667 * 60 * 67_140, searched.coveredM, 10.0)
        exchange()
    }

    private fun begin(): String {
        val day = Screen.open<DayActivity>()
        day.press(day.buttons().map { "${it.text}" }.first { it.startsWith("${Outdoors.PLACE}:") }.substringBefore("\n"))
        day.answer(R.string.day_tidal, R.string.yes)
        day.press(R.string.day_prepare)
        day.press(R.string.day_seen)
        day.press(R.string.day_begin)
        outdoors.service()
        return Screen.of<WalkActivity>(day.opened()).activity.let { app.settings.visit!! }
    }

    /** Photographed by the app's own camera, measured from what the core proposes, kept. */
    private fun print(visit: String) {
        val played = Played()
        val walk = Screen.open<WalkActivity>()
        walk.press(R.string.kind_print)
        val camera = Screen.of<CameraActivity>(walk.opened())
        played.camera.play(PlayedCamera.picture(Demo.otter))
        camera.settle()
        assertTrue(camera.words(), camera.says(R.string.preview_good))
        camera.activity.dispatchKeyEvent(KeyEvent(KeyEvent.ACTION_DOWN, KeyEvent.KEYCODE_VOLUME_DOWN))
        camera.settle()
        val measure = Screen.of<MeasureActivity>(camera.opened())
        val points = Demo.points(Demo.otter)
        val (left, right) = points.getValue("widest_left") to points.getValue("widest_right")
        measure.touch(Point((left.x + right.x) / 2, (left.y + right.y) / 2))
        measure.press(R.string.they_are_right)
        listOf("pad_rear", "heel_rear").forEach { measure.touch(points.getValue(it)) }
        measure.press(R.string.who_made_it)
        val maker = Screen.of<MakerActivity>(measure.opened())
        maker.press(R.string.hind)
        maker.press(R.string.toes_5)
        while (!maker.says(R.string.keep_sign)) maker.press(R.string.not_known)
        maker.press(R.string.keep_sign)
        assertEquals(SignKind.PRINT, asked { it.signs(visit) }.single().kind)
    }

    private fun trail(visit: String) {
        val walk = Screen.open<WalkActivity>()
        walk.press(R.string.kind_trail)
        val trail = Screen.of<TrailActivity>(walk.opened())
        trail.press(R.string.trail_by_tape)
        val inGroup = listOf(0.0 to 9.5, 9.5 to 5.8, 17.5 to 9.1, 26.5 to 5.4)
        (0 until 3).forEach { group ->
            inGroup.forEach { (along, offset) ->
                listOf("${71 * group + along}", "$offset").forEach { number ->
                    number.forEach { trail.press("$it") }
                    trail.press(R.string.next_value)
                }
            }
        }
        trail.press(R.string.trail_read)
        trail.press(R.string.keep_sign)
        assertEquals(2, asked { it.signs(visit) }.size)
    }

    private fun spraint(visit: String) {
        val walk = Screen.open<WalkActivity>()
        walk.press(R.string.kind_dropping)
        val screen = Screen.of<SignActivity>(walk.opened())
        val choices = asked { it.choices() }
        listOf("fish_scales", "fish_bones").forEach { id -> screen.press(choices.contents.first { it.id == id }.text) }
        screen.press(choices.smells.first { it.id == "sweet_fishy" }.text)
        screen.answer(R.string.prominent_label, R.string.yes)
        screen.answer(R.string.sample_head, R.string.sample_taken)
        screen.type(R.string.pot_label, "K 7")
        screen.press(R.string.keep_sign)
        val noted = asked { it.signs(visit) }.first { it.kind == SignKind.DROPPING }
        assertTrue("$noted", noted.hasPlace && noted.grade >= Grade.POSSIBLE && noted.pots == listOf("K 7"))
    }

    private fun close(visit: String): StretchSearched {
        val walk = Screen.open<WalkActivity>()
        walk.press(R.string.walk_close)
        val close = Screen.of<CloseActivity>(walk.opened())
        close.press(R.string.water_normal)
        close.type(R.string.rain_days, "5")
        val searched = asked { it.searched(visit) }.single()
        close.press(R.string.close_now)
        val summary = Screen.of<SummaryActivity>(close.opened())
        assertTrue(summary.activity.file!!.readText().contains(Outdoors.PLACE))
        return searched
    }

    private fun exchange() {
        val screen = Screen.open<ExchangeActivity>(ExchangeActivity.INVITATION to base.invite("Ada"))
        val outcome = screen.activity.outcome!!
        assertEquals("$outcome", 1, outcome.photographsOut)
        assertTrue("$outcome", outcome.refused.isEmpty() && outcome.photographsRefused.isEmpty())
        val verified = base.run("store", "verify", base.store.path, "--json")
        assertTrue(verified, verified.contains("\"damage\": []") && verified.contains("\"photographs\": 1"))
        val due = base.run("plan", "due", "--store", base.store.path, "--season", "2026", "--on", "2026-10-03", "--json")
        val done = due.substringAfter("\"${Outdoors.PLACE}\"").substringBefore("\"place\"")
        assertTrue("the base knows that the place was visited: $due", done.contains("\"state\": \"done\""))
    }
}
