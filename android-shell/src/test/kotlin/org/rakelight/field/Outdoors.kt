package org.rakelight.field

import java.io.File
import java.time.Instant
import java.util.TimeZone
import org.junit.Assert.assertEquals
import org.junit.Assert.assertTrue
import org.rakelight.core.Fix
import org.rakelight.core.Moment
import org.robolectric.Robolectric
import org.robolectric.RuntimeEnvironment
import org.robolectric.Shadows.shadowOf
import org.robolectric.android.controller.ServiceController

/** A recorded walk in the place of the receiver. */
class RecordedWalk : Receiver {
    override var state = Receiver.State.READY
    private var each: ((Fix) -> Unit)? = null
    val isHeard get() = each != null

    override fun start(each: (Fix) -> Unit) {
        this.each = each
    }

    override fun stop() {
        each = null
    }

    fun tell(fix: Fix) = checkNotNull(each) { "nobody listens to the receiver" }(fix)
}

/** An invented morning: the clock, the walk, the places that were handed out. */
class Outdoors {
    val app = RuntimeEnvironment.getApplication() as FieldApp
    val receiver = RecordedWalk()
    var seconds = 0L
    private val zone = TimeZone.getDefault()

    init {
        TimeZone.setDefault(TimeZone.getTimeZone("Europe/London"))
        app.clock = { START.plusSeconds(seconds) }
        app.receiver = receiver
        app.settings.me = "Ada"
    }

    fun end() = TimeZone.setDefault(zone)

    /** As the team at base does it, into this phone's store. */
    fun handOut() {
        asked { it.visits() }
        val plan = File.createTempFile("season", ".toml").apply { writeText(SEASON) }
        val program = File(System.getProperty("jna.library.path"), "rakelight").path
        val ran = ProcessBuilder(program, "plan", "hand-out", "--store", File(app.noBackupFilesDir, "store").path, "--season", "2026", "--author", "Cy", plan.path).redirectErrorStream(true).start()
        val said = ran.inputStream.bufferedReader().readText()
        assertEquals(said, 0, ran.waitFor())
    }

    /** Half the way of the stretch, 4.5 m each 10 s, 2.2 m beside it. */
    fun fix(i: Int, radiusM: Double = 6.0) = Fix(Moment(START.toEpochMilli() + 10_000L * i, 60), 53.00002, 9.0 + 0.0000667 * i, radiusM)

    fun walk(fixes: IntRange) = fixes.forEach { i ->
        seconds = 10L * i
        receiver.tell(fix(i))
        asked { }
    }

    /** The service that the app asked the system to start. */
    fun service(): ServiceController<TrackService> {
        val started = generateSequence { shadowOf(app).nextStartedService }.toList()
        assertTrue("the track's service was started", started.any { it.component?.className == TrackService::class.java.name })
        return Robolectric.buildService(TrackService::class.java, started.last()).create().startCommand(0, 1)
    }

    /** High and low waters of an invented shore: free from 07:30 by the phone's clock, back at 09:40. */
    fun typeTide(date: String = "2026-10-03", highAfter: String? = "15:30") {
        val rows = listOf("3:10" to "11,8", "0940" to "1.4") + listOfNotNull(highAfter?.let { it to "12.1" })
        val typed = rows.foldIndexed(Draft()) { i, draft, (time, height) -> draft.with("time$i", time).with("height$i", height) }
            .with("first", "high").with("day", "today").with("free_below", "4").with("back", "20").with("margin", "30")
        asked { it.keepDraft("tide/$date/$PLACE", "$typed") }
    }

    companion object {
        /** 08:00 in British summer time. */
        val START: Instant = Instant.parse("2026-10-03T07:00:00Z")
        const val PLACE = "Sallow Bridge"
        const val SEASON = """
            [[place]]
            name = "Sallow Bridge"
            at = [53.0, 9.0]
            stretch = [[9.0, 53.0], [9.008, 53.0]]
            spots = [{ at = [53.0, 9.002], why = ["log"] }]
            protocol = "one_bank_600"
            landowner = "R. Miller"
            permission = { granted = true, note = "Shut the gate." }
            [[place]]
            name = "Reed Corner"
            at = [53.01, 9.02]
            landowner = "K. Heron"
            permission = { granted = false }
            [[given]]
            place = "Sallow Bridge"
            people = ["Ada"]
            from = 2026-10-01
            until = 2026-10-31
            [[given]]
            place = "Reed Corner"
            people = ["Ada"]
            from = 2026-10-01
            until = 2026-10-31
        """
    }
}
