import java.io.BufferedReader
import java.io.File
import java.nio.ByteBuffer
import org.rakelight.core.Arrangement
import org.rakelight.core.Consent
import org.rakelight.core.Feature
import org.rakelight.core.Features
import org.rakelight.core.Moment
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

        val head = VisitHead("a clock", listOf("lutra_lutra"), start, listOf("A Clock"), "Nowhere", null, Consent.NONE, "All of it is invented")
        val visit = core.openVisit(head, start)
        val features = Features("soft_mud", 5, null, Feature.NOT_LOOKED, Feature.NOT_LOOKED, Feature.NOT_LOOKED, Arrangement.NOT_LOOKED, null)
        repeat(50) { core.identify(visit, "s$it", SignKind.PRINT, null, features, start) }
        // The page that is there: what a visit's 50 signs come to.
        check(core.findings(visit).sumOf { it.signs.size } >= 50) { "50 signs come back" }
        clock("a page of 50 signs (findings)", 200, "at most 5,000 µs") { core.findings(visit) }

        val plane = ByteBuffer.allocateDirect(1280 * 960)
        clock("a frame of the preview, 1280 × 960, without a card", 50, "well under 200,000 µs") { lookAtPreview(plane, 1280, 960, 1280, 4000) }

        val sha256 = core.addPhoto(visit, photo, start).sha256
        val relief = File(folder, "relief.png").path
        val side = ProcessBuilder(rust, photo, File(folder, "rust.png").path).redirectError(ProcessBuilder.Redirect.INHERIT).start()
        val (ask, answer) = side.outputStream.bufferedWriter() to side.inputStream.bufferedReader()
        fun here(): Double {
            val from = System.nanoTime()
            core.findScale(sha256)
            core.lookAtGround(sha256, null, relief)
            return (System.nanoTime() - from) / 1e6
        }
        fun there(answer: BufferedReader): Double {
            ask.appendLine().flush()
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
