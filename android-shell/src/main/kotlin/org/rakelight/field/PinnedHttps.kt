package org.rakelight.field

import java.io.ByteArrayOutputStream
import java.io.IOException
import java.io.InputStream
import java.net.Proxy
import java.net.URL
import java.security.MessageDigest
import java.security.cert.CertificateException
import java.security.cert.X509Certificate
import javax.net.ssl.HttpsURLConnection
import javax.net.ssl.SSLContext
import javax.net.ssl.X509TrustManager
import org.rakelight.core.Connections
import org.rakelight.core.HttpHeader
import org.rakelight.core.HttpRequest
import org.rakelight.core.HttpResponse
import org.rakelight.core.KnownBase
import org.rakelight.core.Transport
import org.rakelight.core.TransportFailure

/** The way to a base over TLS, believing only the certificate that was promised. No proxy and no redirect is followed: nobody else is to be spoken to. */
class PinnedHttps(private val base: KnownBase) : Transport {
    private val sockets = SSLContext.getInstance("TLS").run {
        init(null, arrayOf(OnlyThis(base.certificateSha256)), null)
        socketFactory
    }

    /** A base that asks for a pause is given one, so many times in a row. */
    override fun send(request: HttpRequest): HttpResponse {
        repeat(PAUSES) {
            val response = sendNow(request)
            Thread.sleep(pauseMs(response) ?: return response)
        }
        return sendNow(request)
    }

    private fun sendNow(request: HttpRequest): HttpResponse = try {
        val connection = open(request)
        if (connection.doOutput) connection.outputStream.use { it.write(request.body) }
        val status = connection.responseCode
        val body = if (status >= 400) connection.errorStream else connection.inputStream
        HttpResponse(status, headers(connection), body?.use(::whole) ?: ByteArray(0))
    } catch (failed: IOException) {
        val causes = generateSequence<Throwable>(failed) { it.cause }
        throw if (causes.any { it is OtherCertificate }) TransportFailure.OtherCertificate()
        else TransportFailure.Unreachable("${failed.javaClass.simpleName}: ${failed.message}")
    }

    private fun open(request: HttpRequest): HttpsURLConnection {
        val connection = URL(base.address + request.path).openConnection(Proxy.NO_PROXY) as? HttpsURLConnection
            ?: throw IOException("${base.address} doesn't begin with https://")
        return connection.apply {
            sslSocketFactory = sockets
            // The certificate is known by its digest, whatever name stands in it.
            setHostnameVerifier { _, session -> session.protocol in setOf("TLSv1.2", "TLSv1.3") }
            connectTimeout = CONNECTING_MS
            readTimeout = ANSWERING_MS
            instanceFollowRedirects = false
            useCaches = false
            // The framework knows no PATCH; tus 1.0.0 has this header for such clients.
            val isPatch = request.method == "PATCH"
            requestMethod = if (isPatch) "POST" else request.method
            if (isPatch) setRequestProperty("X-HTTP-Method-Override", "PATCH")
            doOutput = requestMethod == "POST"
            // Else the phone's model would stand there, and answers would come packed.
            setRequestProperty("User-Agent", "Rakelight")
            setRequestProperty("Accept-Encoding", "identity")
            request.headers.forEach { setRequestProperty(it.name, it.value) }
        }
    }

    /** The status line is the field without a name. */
    private fun headers(connection: HttpsURLConnection) = connection.headerFields.flatMap { (name, values) ->
        if (name == null) emptyList() else values.map { HttpHeader(name, it) }
    }

    private fun whole(body: InputStream): ByteArray {
        val whole = ByteArrayOutputStream()
        val piece = ByteArray(64 shl 10)
        while (true) {
            val read = body.read(piece)
            if (read < 0) return whole.toByteArray()
            if (whole.size() + read > ANSWER_BYTES) throw IOException("the answer has more than $ANSWER_BYTES bytes")
            whole.write(piece, 0, read)
        }
    }

    /** How long the base asks to wait (RFC 6585, section 4; RFC 9110, section 10.2.3). */
    private fun pauseMs(response: HttpResponse): Long? {
        val after = response.headers.find { it.name.equals("Retry-After", ignoreCase = true) }?.value?.toLongOrNull()
        return after?.times(1_000)?.takeIf { response.status == 429 && it in 0..PAUSE_MS }
    }

    companion object {
        val connections = object : Connections {
            override fun to(base: KnownBase) = PinnedHttps(base)
        }

        private const val CONNECTING_MS = 15_000

        /** Between any two bytes of an answer. */
        private const val ANSWERING_MS = 120_000
        private const val ANSWER_BYTES = 256 shl 20
        private const val PAUSES = 20
        private const val PAUSE_MS = 30_000L
    }
}

private class OtherCertificate : CertificateException("another certificate answers than the one that was promised")

/** Takes one certificate, whatever it says of itself; the handshake has the base show that it holds its key. */
private class OnlyThis(private val sha256: ByteArray) : X509TrustManager {
    override fun checkServerTrusted(chain: Array<X509Certificate>, authType: String) {
        val found = MessageDigest.getInstance("SHA-256").digest(chain.first().encoded)
        if (!found.contentEquals(sha256)) throw OtherCertificate()
    }

    override fun checkClientTrusted(chain: Array<X509Certificate>, authType: String) = throw OtherCertificate()

    override fun getAcceptedIssuers(): Array<X509Certificate> = emptyArray()
}
