import java.io.BufferedReader
import java.io.File
import java.nio.ByteBuffer
import org.rakelight.core.Arrangement
import org.rakelight.core.Consent
import org.rakelight.core.Feature
import org.rakelight.core.Foot
import org.rakelight.core.Moment
import org.rakelight.core.PrintSeen
import org.rakelight.core.ScaleBy
import org.rakelight.core.Seen
import org.rakelight.core.SignForm
import org.rakelight.core.SignKind
import org.rakelight.core.VisitHead
import org.rakelight.core.Workspace
import org.rakelight.core.lookAtPreview

private val start = Moment(1_790_000_000_000, 120)

/** Least and median of many, in microseconds, after as many to warm up. */
private fun clock(name: String, rounds: Int, asked: String, call: () -> Unit) {
    repeat(rounds) { call() }
    val took = List(rounds) { System.nanoTime().let { from -> call(); (System.nanoTime() - from) / 1e3 } }.sorted()
    println("%-52s least %10.1f µs, median %10.1f µs (asked: %s)".format(name, took.first(), took[rounds / 2], asked))
}

fun main(arguments: Array<String>) {
    val (rounds, photo, rust, folder) = arguments
    Workspace.open(File(folder, "store").path, "en").use { core ->
        // The cheapest call that there is: an empty list, by way of the store.
        clock("a call (bases, none known)", 20_000, "at most 50 µs") { core.bases() }

        val head = VisitHead(purpose = "a clock", targets = listOf("lutra_lutra"), start = start, people = listOf("A Clock"), placeName = "Nowhere", landowner = null, consent = Consent.NONE, notice = "All of it is invented")
        val visit = core.openVisit(head, start)
        val print = PrintSeen(foot = Foot.HIND, toesSeen = 5, claws = Feature.NOT_LOOKED, webbing = Feature.NOT_LOOKED, heelPad = Feature.NOT_LOOKED, arrangement = Arrangement.NOT_LOOKED)
        repeat(50) { core.noteSign(visit, SignForm(id = "s$it", kind = SignKind.PRINT, time = start, seen = Seen(substrate = "soft_mud", prints = listOf(print))), start) }
        check(core.signs(visit).size == 50) { "50 signs come back" }
        clock("a page of 50 signs (signs)", 200, "at most 5,000 µs") { core.signs(visit) }

        val plane = ByteBuffer.allocateDirect(1280 * 960)
        clock("a frame of the preview, 1280 × 960, without a card", 50, "well under 200,000 µs") { lookAtPreview(plane, 1280, 960, 1280, 4000) }

        // The workspace keeps the last photograph decoded, so two files of the same pixels take turns: each turn begins with the file.
        val again = File(folder, "again.jpg").apply { writeBytes(File(photo).readBytes() + 0) }
        val photos = listOf(photo, again.path).map { core.addPhoto(visit, it, start).sha256 }
        var turn = 0
        val relief = File(folder, "relief.png").path
        val side = ProcessBuilder(rust, photo, File(folder, "rust.png").path).redirectError(ProcessBuilder.Redirect.INHERIT).start()
        val (ask, answer) = side.outputStream.bufferedWriter() to side.inputStream.bufferedReader()
        fun here(): Double {
            val sha256 = photos[turn++ % 2]
            val from = System.nanoTime()
            core.findScale(sha256, ScaleBy.Card(null))
            core.lookAtGround(sha256, null, relief)
            return (System.nanoTime() - from) / 1e6
        }
        fun there(answer: BufferedReader): Double {
            ask.write("\n")
            ask.flush()
            return answer.readLine().toDouble()
        }
        repeat(2) { here(); there(answer) }
        val turns = List(rounds.toInt()) { here() to there(answer) }
        ask.close()
        val (ours, theirs) = turns.unzip()
        check(File(relief).readBytes().contentEquals(File(folder, "rust.png").readBytes())) { "both draw the same relief" }
        val ratio = turns.map { it.first / it.second }.sorted()[turns.size / 2]
        println("photograph to proposals: Kotlin %.0f ms, Rust %.0f ms (least); ratio %.3f (median of turns; asked: at most 1.1)".format(ours.min(), theirs.min(), ratio))
    }
}
