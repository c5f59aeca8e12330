package org.rakelight.field

import android.os.SystemClock
import android.view.View
import java.io.File
import java.nio.ByteBuffer
import java.util.concurrent.atomic.AtomicBoolean

/** A camera. Behind an interface, so that tests play pictures. */
interface CameraSource {
    /** Shows the preview, all that the photograph will show. */
    val view: View

    /** Its width to its height, as the screen reads. */
    val aspect: Float

    /** Whether there is a lamp beside the lens. */
    val hasLight: Boolean

    /** Shows the preview and gives each frame to [onPreview], which must not keep it; what the camera can't do goes to [onTrouble]. */
    fun open(onPreview: (Preview) -> Unit, onTrouble: (Throwable) -> Unit)

    /** Takes a photograph that is upright for a phone turned [turnedDeg] clockwise from how its screen reads; the file is there when [done] is told. */
    fun take(to: File, turnedDeg: Int, done: (Result<File>) -> Unit)

    fun light(on: Boolean)

    fun close()
}

/** The luma plane of a preview: one byte a pixel, as the sensor lies; upright on the screen when turned clockwise by [turnDeg]. */
class Preview(val luma: ByteBuffer, val widthPx: Int, val heightPx: Int, val rowStridePx: Int, val photoWidthPx: Int, val turnDeg: Int)

/** Lets at most five previews a second through to [look], and none while one is being looked at. */
class PreviewGate(private val look: (Preview, done: () -> Unit) -> Unit) {
    private val free = AtomicBoolean(true)
    private var last = -LEAST_MS
    private var copy = ByteBuffer.allocateDirect(0)

    /** The frame is copied: the camera may close, and take its memory back, while the core is still looking. */
    fun offer(preview: Preview) {
        val now = SystemClock.elapsedRealtime()
        if (now - last < LEAST_MS || !free.compareAndSet(true, false)) return
        last = now
        val luma = preview.luma.duplicate()
        if (copy.capacity() < luma.remaining()) copy = ByteBuffer.allocateDirect(luma.remaining())
        copy.clear()
        copy.put(luma).flip()
        look(with(preview) { Preview(copy, widthPx, heightPx, rowStridePx, photoWidthPx, turnDeg) }) { free.set(true) }
    }

    private companion object {
        const val LEAST_MS = 200L
    }
}
