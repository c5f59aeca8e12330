package org.rakelight.field

import android.security.keystore.KeyGenParameterSpec
import android.security.keystore.KeyProperties
import java.security.GeneralSecurityException
import java.security.KeyStore
import java.security.Security
import javax.crypto.Cipher
import javax.crypto.KeyGenerator
import javax.crypto.SecretKey
import javax.crypto.spec.GCMParameterSpec
import org.rakelight.core.KeyException
import org.rakelight.core.KeyWrapping

/** Wraps by AES-GCM (NIST SP 800-38D). What is wrapped is the nonce, 12 bytes, then the cipher's text with its tag. */
class AesWrapping(private val keys: Keys) : KeyWrapping {
    interface Keys {
        /** The key; null where there is none. */
        fun find(): SecretKey?

        fun make(): SecretKey
    }

    override fun wrap(secret: ByteArray): ByteArray = said {
        val cipher = Cipher.getInstance(MODE)
        cipher.init(Cipher.ENCRYPT_MODE, keys.find() ?: keys.make())
        cipher.iv + cipher.doFinal(secret)
    }

    override fun unwrap(wrapped: ByteArray): ByteArray = said {
        val key = keys.find() ?: throw GeneralSecurityException("the key is gone")
        val cipher = Cipher.getInstance(MODE)
        cipher.init(Cipher.DECRYPT_MODE, key, GCMParameterSpec(TAG_BITS, wrapped, 0, NONCE_BYTES))
        cipher.doFinal(wrapped, NONCE_BYTES, wrapped.size - NONCE_BYTES)
    }

    private fun said(work: () -> ByteArray): ByteArray = try {
        work()
    } catch (refused: Exception) {
        throw KeyException.KeyStore("${refused.javaClass.simpleName}: ${refused.message}")
    }

    private companion object {
        const val MODE = "AES/GCM/NoPadding"
        const val NONCE_BYTES = 12
        const val TAG_BITS = 128
    }
}

/** The phone's own key, which never leaves its key store. */
object PhoneKey : AesWrapping.Keys {
    private const val STORE = "AndroidKeyStore"
    private const val NAME = "rakelight store"

    /** There is one on every phone, but not where the app's screens are drawn for a check. */
    val isThere get() = Security.getProvider(STORE) != null

    override fun find(): SecretKey? = KeyStore.getInstance(STORE).apply { load(null) }.getKey(NAME, null) as SecretKey?

    override fun make(): SecretKey = KeyGenerator.getInstance(KeyProperties.KEY_ALGORITHM_AES, STORE).run {
        val purposes = KeyProperties.PURPOSE_ENCRYPT or KeyProperties.PURPOSE_DECRYPT
        init(
            KeyGenParameterSpec.Builder(NAME, purposes)
                .setBlockModes(KeyProperties.BLOCK_MODE_GCM)
                .setEncryptionPaddings(KeyProperties.ENCRYPTION_PADDING_NONE)
                .setKeySize(256)
                .build(),
        )
        generateKey()
    }
}
