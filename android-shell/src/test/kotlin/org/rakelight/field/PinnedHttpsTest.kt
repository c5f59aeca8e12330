package org.rakelight.field

import com.sun.net.httpserver.HttpExchange
import com.sun.net.httpserver.HttpsConfigurator
import com.sun.net.httpserver.HttpsServer
import java.io.File
import java.net.InetAddress
import java.net.InetSocketAddress
import java.nio.file.Files
import java.security.KeyStore
import java.security.MessageDigest
import java.util.concurrent.CopyOnWriteArrayList
import javax.net.ssl.KeyManagerFactory
import javax.net.ssl.SSLContext
import org.junit.After
import org.junit.Assert.assertArrayEquals
import org.junit.Assert.assertEquals
import org.junit.Assert.assertThrows
import org.junit.Assert.assertTrue
import org.junit.Rule
import org.junit.Test
import org.junit.rules.Timeout
import org.rakelight.core.HttpHeader
import org.rakelight.core.HttpRequest
import org.rakelight.core.KnownBase
import org.rakelight.core.TransportFailure

/** The phone's HTTPS against the JDK's own server, whose certificate names nobody that is spoken to. */
class PinnedHttpsTest : OnThePhone() {
    @get:Rule
    val patience: Timeout = Timeout.seconds(60)

    private val folder = Files.createTempDirectory("rakelight").toFile()
    private val keys = KeyStore.getInstance(keysIn(folder), PASSWORD)
    private val sha256 = MessageDigest.getInstance("SHA-256").digest(keys.getCertificate("base").encoded)
    private val asked = CopyOnWriteArrayList<String>()
    private val server = serve()
    private val address = "https://127.0.0.1:${server.address.port}"
    private val way = PinnedHttps(KnownBase(address, sha256))

    @After
    fun stop() {
        server.stop(0)
        folder.deleteRecursively()
    }

    private fun ask(method: String, path: String, vararg headers: HttpHeader, body: ByteArray = ByteArray(0)) =
        way.send(HttpRequest(method, path, headers.toList(), body))

    @Test
    fun aPieceOfAPhotographGoesAsAPostThatSaysWhatItIs() {
        val piece = ByteArray(4 shl 20) { it.toByte() }
        val answer = ask("PATCH", "/echo", HttpHeader("upload-offset", "7"), body = piece)
        assertEquals(200, answer.status)
        assertArrayEquals(piece, answer.body)
        assertEquals(listOf("POST /echo PATCH 7"), asked)
        assertEquals(0, ask("HEAD", "/echo").body.size)
        assertEquals("HEAD /echo null null", asked.last())
    }

    @Test
    fun aRefusalComesWithItsWordsAndARedirectLeadsNowhere() {
        val refused = ask("GET", "/status/401")
        assertEquals("401 said", "${refused.status} ${refused.body.decodeToString()}")
        val redirect = ask("GET", "/status/307")
        assertEquals(307, redirect.status)
        assertTrue(redirect.headers.any { it.name.equals("Location", ignoreCase = true) && it.value == "/echo" })
        assertEquals(2, asked.size)
    }

    @Test
    fun aPauseThatIsAskedForIsMadeUnlessItIsTooLong() {
        assertEquals("the third time it is let in", 200, ask("GET", "/busy/0").status)
        assertEquals(3, asked.size)
        assertEquals(429, ask("GET", "/busy/31").status)
        assertEquals(4, asked.size)
    }

    @Test
    fun onlyTheCertificateThatWasPromisedIsSpokenTo() {
        val other = sha256.copyOf().also { it[31] = (it[31].toInt() xor 1).toByte() }
        for (digest in listOf(other, ByteArray(0), sha256.copyOf(20))) {
            val request = HttpRequest("POST", "/echo", emptyList(), "a secret".encodeToByteArray())
            assertThrows(TransportFailure.OtherCertificate::class.java) { PinnedHttps(KnownBase(address, digest)).send(request) }
        }
        val plain = PinnedHttps(KnownBase(address.replace("https", "http"), sha256))
        assertThrows(TransportFailure.Unreachable::class.java) { plain.send(HttpRequest("GET", "/echo", emptyList(), ByteArray(0))) }
        assertEquals("nothing was sent", 0, asked.size)
    }

    private fun serve(): HttpsServer {
        val managers = KeyManagerFactory.getInstance(KeyManagerFactory.getDefaultAlgorithm()).apply { init(keys, PASSWORD) }
        val tls = SSLContext.getInstance("TLS").apply { init(managers.keyManagers, null, null) }
        return HttpsServer.create(InetSocketAddress(InetAddress.getLoopbackAddress(), 0), 0).apply {
            httpsConfigurator = HttpsConfigurator(tls)
            createContext("/") { exchange -> exchange.use(::answer) }
            start()
        }
    }

    private fun answer(exchange: HttpExchange) = exchange.run {
        val sent = requestBody.readBytes()
        asked += "$requestMethod $requestURI ${requestHeaders.getFirst("X-HTTP-Method-Override")} ${requestHeaders.getFirst("Upload-Offset")}"
        val (kind, number) = "$requestURI/0".split('/').let { it[1] to it[2] }
        val status = if (kind == "status") number.toInt() else if (kind == "busy" && asked.size != 3) 429 else 200
        if (status == 307) responseHeaders.add("Location", "/echo")
        if (status == 429) responseHeaders.add("Retry-After", number)
        val said = if (kind == "echo") sent else "said".encodeToByteArray()
        sendResponseHeaders(status, if (said.isEmpty() || requestMethod == "HEAD") -1 else said.size.toLong())
        if (requestMethod != "HEAD") responseBody.write(said)
    }

    private inline fun HttpExchange.use(work: (HttpExchange) -> Unit) = try {
        work(this)
    } finally {
        close()
    }

    private companion object {
        val PASSWORD = "password".toCharArray()

        /** A certificate of a moment, by the JDK's keytool. */
        fun keysIn(folder: File): File {
            val file = File(folder, "keys.p12")
            val keytool = File(System.getProperty("java.home"), "bin/keytool").path
            val made = ProcessBuilder(
                keytool, "-genkeypair", "-alias", "base", "-keyalg", "EC", "-groupname", "secp256r1", "-dname", "CN=nobody.invalid",
                "-validity", "2", "-storetype", "PKCS12", "-keystore", file.path, "-storepass", String(PASSWORD),
            ).redirectErrorStream(true).start()
            val said = made.inputStream.bufferedReader().readText()
            assertEquals(said, 0, made.waitFor())
            return file
        }
    }
}
