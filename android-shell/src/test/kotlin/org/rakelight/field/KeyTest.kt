package org.rakelight.field

import java.io.File
import java.nio.file.Files
import javax.crypto.KeyGenerator
import javax.crypto.SecretKey
import org.junit.Assert.assertArrayEquals
import org.junit.Assert.assertEquals
import org.junit.Assert.assertFalse
import org.junit.Assert.assertThrows
import org.junit.Assert.assertTrue
import org.junit.Test
import org.rakelight.core.Consent
import org.rakelight.core.Moment
import org.rakelight.core.ShellException
import org.rakelight.core.VisitHead
import org.rakelight.core.Workspace

/** The store's key wrapped by another key, on the JVM with javax.crypto's AES in the place of the phone's key store. */
class KeyTest : OnThePhone() {
    private val folder = Files.createTempDirectory("rakelight").toFile()
    private val store = File(folder, "store").path
    private val keyFile = File(store, "device.key")
    private val now = Moment(1_790_000_000_000, 120)

    private class MadeHere : AesWrapping.Keys {
        private var key: SecretKey? = null
        override fun find() = key
        override fun make(): SecretKey = KeyGenerator.getInstance("AES").apply { init(256) }.generateKey().also { key = it }
    }

    private fun visitIn(core: Workspace, place: String) = core.openVisit(
        VisitHead("try the phone", listOf("lutra_lutra"), null, null, now, listOf("A. Walker"), place, null, Consent.NONE, null), now,
    )

    @Test
    fun theKeysFileDoesNotHoldThePlainSecretAndTheStoreReopens() {
        val plain = Workspace.open(store, "en").use { core ->
            visitIn(core, "Invented brook")
            keyFile.readLines().first()
        }
        assertEquals(64, plain.length)
        val keys = MadeHere()
        repeat(2) { again ->
            Workspace.openWithKey(store, "en", AesWrapping(keys)).use { core ->
                visitIn(core, "Invented shore $again")
                assertEquals(again + 2, core.visits().size)
            }
            assertTrue(keyFile.readText().startsWith("wrapped "))
            assertFalse(keyFile.readText().contains(plain))
        }
    }

    @Test
    fun aWrongOrLostKeyIsSaidAndLosesNothing() {
        val keys = MadeHere()
        Workspace.openWithKey(store, "en", AesWrapping(keys)).use { visitIn(it, "Invented brook") }
        val before = keyFile.readBytes()
        val other = MadeHere().apply { make() }
        for (wrong in listOf(other, MadeHere())) {
            Workspace.openWithKey(store, "en", AesWrapping(wrong)).use { core ->
                val said = assertThrows(ShellException.KeyLost::class.java) { visitIn(core, "Invented shore") }
                assertTrue(said.toString(), said.toString().contains("device.key"))
                assertEquals("reading goes on", 1, core.visits().size)
            }
            assertArrayEquals(before, keyFile.readBytes())
        }
        Workspace.openWithKey(store, "en", AesWrapping(keys)).use { core ->
            visitIn(core, "Invented shore")
            assertEquals(2, core.visits().size)
        }
    }

    @Test
    fun whatWasWrappedCannotBeChanged() {
        val wrapping = AesWrapping(MadeHere())
        val secret = ByteArray(32) { it.toByte() }
        val wrapped = wrapping.wrap(secret)
        assertArrayEquals(secret, wrapping.unwrap(wrapped))
        assertFalse("a nonce is never used twice", wrapped.contentEquals(wrapping.wrap(secret)))
        for (at in wrapped.indices) {
            val changed = wrapped.copyOf().also { it[at] = (it[at].toInt() xor 1).toByte() }
            assertThrows(org.rakelight.core.KeyException.KeyStore::class.java) { wrapping.unwrap(changed) }
        }
        assertThrows(org.rakelight.core.KeyException.KeyStore::class.java) { wrapping.unwrap(ByteArray(3)) }
    }
}
