package org.rakelight.field

import java.io.File
import java.net.InetAddress
import java.net.ServerSocket
import java.nio.file.Files
import java.util.concurrent.CompletableFuture.supplyAsync
import java.util.concurrent.TimeUnit.SECONDS
import javax.crypto.KeyGenerator
import org.junit.After
import org.junit.Assert.assertEquals
import org.junit.Assert.assertThrows
import org.junit.Assert.assertTrue
import org.junit.Rule
import org.junit.Test
import org.junit.rules.Timeout
import org.rakelight.core.Connections
import org.rakelight.core.Consent
import org.rakelight.core.ExchangeProgress
import org.rakelight.core.ExchangeStep
import org.rakelight.core.HttpRequest
import org.rakelight.core.KnownBase
import org.rakelight.core.Moment
import org.rakelight.core.ShellException
import org.rakelight.core.Transport
import org.rakelight.core.VisitHead
import org.rakelight.core.Workspace

/** The phone's exchange with the real base, a process of its own on a loopback port. All records are invented. */
class ExchangeTest : OnThePhone() {
    @get:Rule
    val patience: Timeout = Timeout.seconds(60)

    private val folder = Files.createTempDirectory("rakelight").toFile()
    private val now = Moment(1_790_000_000_000, 120)
    private val base = TestBase(File(folder, "base"))
    private val https = PinnedHttps.connections

    @After
    fun stop() {
        base.close()
        folder.deleteRecursively()
    }

    private fun phone(work: (Workspace) -> Unit) {
        val key = KeyGenerator.getInstance("AES").apply { init(256) }.generateKey()
        val keys = object : AesWrapping.Keys {
            override fun find() = key
            override fun make() = key
        }
        Workspace.openWithKey(File(folder, "phone").path, "en", AesWrapping(keys)).use(work)
    }

    private fun visitIn(core: Workspace, place: String) = core.openVisit(
        VisitHead("try the exchange", listOf("lutra_lutra"), null, null, now, listOf("A. Walker"), place, null, Consent.NONE, null), now,
    )

    private fun progress(goOn: (ExchangeStep, Long) -> Boolean = { _, _ -> true }) = object : ExchangeProgress {
        override fun at(step: ExchangeStep, done: Long) = goOn(step, done)
    }

    @Test
    fun whatIsRecordedReachesTheBaseWithItsPhotograph() = phone { core ->
        core.addPhoto(visitIn(core, "Invented brook"), Demo.otter.path, now)
        val steps = mutableListOf<Pair<ExchangeStep, Long>>()
        val first = core.join(base.invite("A. Walker"), https, progress { step, done -> steps.add(step to done) })
        assertTrue("$first", first.entriesOut > 1 && first.photographsOut == 1)
        assertEquals("what is here stays, what isn't doesn't come", 0, first.entriesIn + first.photographsIn)
        assertTrue("$first", first.refused.isEmpty() && first.photographsRefused.isEmpty() && first.forked.isEmpty())

        val reached = steps.groupBy({ it.first }, { it.second })
        assertEquals(setOf(ExchangeStep.ENTRIES_IN, ExchangeStep.ENTRIES_OUT, ExchangeStep.PHOTOGRAPHS_OUT), reached.keys)
        reached.values.forEach { assertEquals("progress only grows", it.sorted(), it) }

        assertEquals(listOf(KnownBase(base.address, base.certificate)).toString(), core.bases().toString())
        visitIn(core, "Invented shore")
        val second = core.exchange(base.address, https, progress())
        assertTrue("$second", second.entriesOut > 0 && second.photographsOut == 0)
        assertEquals(0, core.exchange(base.address, https, progress()).entriesOut)

        val verified = base.run("store", "verify", base.store.path, "--json")
        assertTrue(verified, Regex("\"damage\": \\[]").containsMatchIn(verified))
        assertTrue(verified, Regex("\"photographs\": 1\\b").containsMatchIn(verified))
        assertTrue(verified, Regex("\"entries\": ${first.entriesOut + second.entriesOut}\\b").containsMatchIn(verified))
        assertTrue(base.members(), Regex("\"name\": \"A. Walker\"").containsMatchIn(base.members()))
    }

    @Test
    fun whoAnswersWithAnotherCertificateIsSentNothing() = phone { core ->
        visitIn(core, "Invented brook")
        val invitation = base.invite("A. Walker")
        val other = invitation.replace(Regex("certificate=.")) { if (it.value.last() == '0') "certificate=1" else "certificate=0" }
        val said = assertThrows(ShellException.OtherBase::class.java) { core.join(other, https, progress()) }
        assertTrue(said.detail, said.detail.contains("another certificate") && said.detail.contains(base.address))
        assertEquals("no base was joined", emptyList<KnownBase>(), core.bases())
        core.join(invitation, https, progress())
        val requests = base.requests()
        assertEquals("$requests", "GET /v1/challenge 200", requests.first())
        assertEquals("only the true invitation was sent", 1, requests.count { it.startsWith("GET /v1/challenge") })
    }

    @Test
    fun aBaseThatIsNotThereLosesNothing() = phone { core ->
        visitIn(core, "Invented brook")
        val closed = ServerSocket(0, 1, InetAddress.getLoopbackAddress()).use { it.localPort }
        val elsewhere = base.invite("A. Walker").replace(base.address, "https://127.0.0.1:$closed")
        val said = assertThrows(ShellException.Unreachable::class.java) { core.join(elsewhere, https, progress()) }
        assertTrue(said.detail, said.detail.contains("127.0.0.1:$closed"))
        assertThrows(ShellException.NotFound::class.java) { core.exchange(base.address, https, progress()) }
        assertThrows(ShellException.BadInput::class.java) { core.join("rakelight:join?code=7KQ2", https, progress()) }
        assertEquals(1, core.visits().size)
    }

    @Test
    fun anExchangeThatIsStoppedGoesOnLater() = phone { core ->
        core.addPhoto(visitIn(core, "Invented brook"), Demo.otter.path, now)
        val before = { step: ExchangeStep -> progress { at, _ -> at != step } }
        assertThrows(ShellException.Stopped::class.java) { core.join(base.invite("A. Walker"), https, before(ExchangeStep.ENTRIES_OUT)) }
        val thrown = progress { _, _ -> error("the screen is gone") }
        assertThrows(ShellException.Stopped::class.java) { core.exchange(base.address, https, thrown) }
        assertThrows(ShellException.Stopped::class.java) { core.exchange(base.address, https, before(ExchangeStep.PHOTOGRAPHS_OUT)) }
        val rest = core.exchange(base.address, https, progress())
        assertEquals("entries had gone before it was stopped", 0, rest.entriesOut)
        assertEquals(1, rest.photographsOut)
    }

    @Test
    fun recordingGoesOnDuringAnExchange() = phone { core ->
        visitIn(core, "Invented brook")
        val recorded = mutableListOf<String>()
        // The first requests wait until another thread has written a record.
        val recording = object : Connections {
            override fun to(base: KnownBase) = object : Transport {
                val way = PinnedHttps(base)

                override fun send(request: HttpRequest) = way.send(request).also {
                    if (recorded.size < 6) recorded += supplyAsync { visitIn(core, "Invented shore ${recorded.size}") }.get(20, SECONDS)
                }
            }
        }
        core.join(base.invite("A. Walker"), recording, progress())
        assertEquals(6, recorded.size)
        assertEquals(7, core.visits().size)
        core.exchange(base.address, https, progress())
        assertEquals(0, core.exchange(base.address, https, progress()).entriesOut)
        val phones = base.run("store", "verify", File(folder, "phone").path, "--json")
        assertTrue(phones, phones.contains("\"damage\": []"))
        val entries = Regex("\"entries\": \\d+")
        assertEquals(entries.find(phones)?.value, entries.find(base.run("store", "verify", base.store.path, "--json"))?.value)
    }

    @Test
    fun whoIsBarredIsToldSoAndAnInvitationServesOne() = phone { core ->
        val invitation = base.invite("A. Walker")
        core.join(invitation, https, progress())
        val device = Regex("\"device\": \"(\\w{64})\"").find(base.members())!!.groupValues[1]
        base.run("members", "--store", base.store.path, "--bar", device)
        val barred = assertThrows(ShellException.Refused::class.java) { core.exchange(base.address, https, progress()) }
        assertTrue(barred.detail, barred.detail.contains("barred"))
        Workspace.open(File(folder, "second").path, "en").use { second ->
            val used = assertThrows(ShellException.Refused::class.java) { second.join(invitation, https, progress()) }
            assertTrue(used.detail, used.detail.contains("another device has joined with this invitation"))
        }
    }
}

/** A base that runs until it is closed. */
class TestBase(val store: File) : AutoCloseable {
    private val program = File(System.getProperty("jna.library.path"), "rakelight").path
    private val log = File(store.parentFile, "base.log")
    private val process: Process = ProcessBuilder(program, "serve", "--store", store.path, "--listen", "127.0.0.1:0", "--json")
        .redirectError(log).start()
    val address: String
    val certificate: ByteArray

    init {
        val said = process.inputStream.bufferedReader().lineSequence().takeWhile { it != "}" }.joinToString("\n")
        address = value(said, "address")
        certificate = value(said, "certificate").chunked(2) { it.toString().toInt(16).toByte() }.toByteArray()
    }

    fun invite(name: String) = value(run("invite", "--store", store.path, "--name", name, "--role", "field_worker", "--json"), "invitation")

    fun members() = run("members", "--store", store.path, "--json")

    /** What was asked and answered, from the base's log, all of it once it has ended. */
    fun requests(): List<String> {
        close()
        return log.readLines().filter { it.contains(" /") || it.contains(" none ") }.map { it.substringBeforeLast(" ms").substringBeforeLast(' ') }
    }

    fun run(vararg arguments: String): String {
        val ran = ProcessBuilder(program, *arguments).redirectErrorStream(true).start()
        val said = ran.inputStream.bufferedReader().readText()
        assertEquals(said, 0, ran.waitFor())
        return said
    }

    override fun close() {
        process.destroy()
        assertTrue("the base ends when it is told to", process.waitFor(20, SECONDS))
    }

    private fun value(said: String, key: String) =
        requireNotNull(Regex("\"$key\": \"([^\"]*)\"").find(said)) { "no $key in $said; ${log.takeIf { it.exists() }?.readText()}" }.groupValues[1]
}
