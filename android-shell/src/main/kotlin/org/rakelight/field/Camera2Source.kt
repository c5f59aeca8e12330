package org.rakelight.field

import android.annotation.SuppressLint
import android.app.Activity
import android.graphics.ImageFormat
import android.graphics.Matrix
import android.graphics.RectF
import android.graphics.SurfaceTexture
import android.hardware.camera2.CameraAccessException
import android.hardware.camera2.CameraCaptureSession
import android.hardware.camera2.CameraCharacteristics
import android.hardware.camera2.CameraDevice
import android.hardware.camera2.CameraManager
import android.hardware.camera2.CaptureFailure
import android.hardware.camera2.CaptureRequest
import android.media.Image
import android.media.ImageReader
import android.os.Handler
import android.os.HandlerThread
import android.util.Size
import android.view.Surface
import android.view.TextureView
import java.io.File
import java.io.IOException
import kotlin.math.abs

/** The phone's rear camera through the framework's camera2. Everything but the view runs on a thread of its own. */
class Camera2Source(private val screen: Activity) : CameraSource, TextureView.SurfaceTextureListener {
    private val cameras = screen.getSystemService(CameraManager::class.java)
    private val rear: Pair<String, CameraCharacteristics>? = cameras?.let { rear(it) }
    private val about get() = rear?.second
    private val sizes: Sizes? = rear?.let { chosen(it.second) }
    private val focuses = about?.get(CameraCharacteristics.CONTROL_AF_AVAILABLE_MODES)?.contains(CaptureRequest.CONTROL_AF_MODE_CONTINUOUS_PICTURE) == true
    private val texture = TextureView(screen).apply { surfaceTextureListener = this@Camera2Source }

    override val view get() = texture
    override val aspect get() = sizes?.preview?.let { if (screenTurnDeg() % 180 == 0) it.width.toFloat() / it.height else it.height.toFloat() / it.width } ?: 0.75f
    override val hasLight = about?.get(CameraCharacteristics.FLASH_INFO_AVAILABLE) == true

    /** What is open; all of it is made and closed on its own thread. */
    private class Running(val previews: ImageReader, val photos: ImageReader, val surface: Surface) {
        var device: CameraDevice? = null
        var session: CameraCaptureSession? = null
        var photograph: ((Result<Image>) -> Unit)? = null

        fun close() {
            photograph?.invoke(Result.failure(IOException("the camera was closed before the photograph was there")))
            session?.close()
            device?.close()
            listOf(previews, photos).forEach(ImageReader::close)
            surface.release()
        }
    }

    private var isOpen = false
    private var running: Running? = null
    private var onPreview: (Preview) -> Unit = {}
    private var onTrouble: (Throwable) -> Unit = {}
    private var lit = false

    override fun open(onPreview: (Preview) -> Unit, onTrouble: (Throwable) -> Unit) {
        this.onPreview = onPreview
        this.onTrouble = onTrouble
        if (isOpen) return
        if (sizes == null) return onTrouble(IOException("the phone has no camera that can be used"))
        isOpen = true
        texture.surfaceTexture?.let(::start)
    }

    override fun close() {
        if (!isOpen) return
        isOpen = false
        onCamera {
            running?.close()
            running = null
            lit = false
        }
    }

    override fun take(to: File, turnedDeg: Int, done: (Result<File>) -> Unit) = onCamera {
        val running = running ?: return@onCamera done(Result.failure(IOException("the camera isn't open yet")))
        running.photograph = { image ->
            running.photograph = null
            done(image.mapCatching { write(it, to) })
        }
        try {
            val request = running.request(CameraDevice.TEMPLATE_STILL_CAPTURE, running.photos.surface)
            request.set(CaptureRequest.JPEG_ORIENTATION, (screenTurnDeg() + turnedDeg) % 360)
            request.set(CaptureRequest.JPEG_QUALITY, JPEG_QUALITY)
            checkNotNull(running.session).capture(request.build(), failed(running), handler)
        } catch (refused: Exception) {
            running.photograph?.invoke(Result.failure(refused))
        }
    }

    override fun light(on: Boolean) = onCamera {
        lit = on
        running?.show()
    }

    private fun onCamera(work: () -> Unit) {
        handler.post(work)
    }

    // The surface

    override fun onSurfaceTextureAvailable(surface: SurfaceTexture, width: Int, height: Int) = start(surface)

    override fun onSurfaceTextureSizeChanged(surface: SurfaceTexture, width: Int, height: Int) = turn()

    override fun onSurfaceTextureUpdated(surface: SurfaceTexture) = Unit

    override fun onSurfaceTextureDestroyed(surface: SurfaceTexture): Boolean {
        onCamera { running?.close(); running = null }
        return true
    }

    /** The framework turns the preview for the phone's own upright; where the screen is turned away from that, it is turned back. */
    private fun turn() {
        val turned = screen.turnedDeg()
        val (width, height) = texture.width.toFloat() to texture.height.toFloat()
        texture.setTransform(Matrix().apply {
            if (turned % 180 == 90) {
                setRectToRect(RectF(0f, 0f, width, height), RectF((width - height) / 2, (height - width) / 2, (width + height) / 2, (width + height) / 2), Matrix.ScaleToFit.FILL)
            }
            postRotate(-turned.toFloat(), width / 2, height / 2)
        })
    }

    /** How far the sensor's picture is turned clockwise to be upright on the screen. */
    private fun screenTurnDeg() = ((about?.get(CameraCharacteristics.SENSOR_ORIENTATION) ?: 0) - screen.turnedDeg() + 360) % 360

    // The camera

    @SuppressLint("MissingPermission") // The screen opens the camera only where it may; where that was taken back, onTrouble tells.
    private fun start(surface: SurfaceTexture) {
        val sizes = sizes?.takeIf { isOpen } ?: return
        turn()
        onCamera {
            if (running != null) return@onCamera
            surface.setDefaultBufferSize(sizes.preview.width, sizes.preview.height)
            val now = Running(
                ImageReader.newInstance(sizes.preview.width, sizes.preview.height, ImageFormat.YUV_420_888, 2),
                ImageReader.newInstance(sizes.photo.width, sizes.photo.height, ImageFormat.JPEG, 1),
                Surface(surface),
            )
            running = now
            now.previews.setOnImageAvailableListener({ it.acquireLatestImage()?.use(::seen) }, handler)
            now.photos.setOnImageAvailableListener({ reader -> reader.acquireNextImage().use { now.photograph?.invoke(Result.success(it)) } }, handler)
            try {
                checkNotNull(cameras).openCamera(checkNotNull(rear).first, opened(now), handler)
            } catch (refused: Exception) {
                trouble(now, refused)
            }
        }
    }

    private fun opened(now: Running) = object : CameraDevice.StateCallback() {
        override fun onOpened(device: CameraDevice) {
            if (running !== now) return device.close()
            now.device = device
            try {
                @Suppress("DEPRECATION") // What replaces it needs API 28.
                device.createCaptureSession(listOf(now.surface, now.previews.surface, now.photos.surface), configured(now), handler)
            } catch (refused: CameraAccessException) {
                trouble(now, refused)
            }
        }

        override fun onDisconnected(device: CameraDevice) = trouble(now, IOException("another app took the camera"))

        override fun onError(device: CameraDevice, error: Int) = trouble(now, IOException("the camera reports error $error"))
    }

    private fun configured(now: Running) = object : CameraCaptureSession.StateCallback() {
        override fun onConfigured(session: CameraCaptureSession) {
            if (running !== now) return
            now.session = session
            now.show()
        }

        override fun onConfigureFailed(session: CameraCaptureSession) = trouble(now, IOException("the camera refuses its sizes"))
    }

    private fun failed(now: Running) = object : CameraCaptureSession.CaptureCallback() {
        override fun onCaptureFailed(session: CameraCaptureSession, request: CaptureRequest, failure: CaptureFailure) {
            now.photograph?.invoke(Result.failure(IOException("the camera gave no photograph (reason ${failure.reason})")))
        }
    }

    private fun Running.show() {
        try {
            val request = request(CameraDevice.TEMPLATE_PREVIEW, surface).apply { addTarget(previews.surface) }
            session?.setRepeatingRequest(request.build(), null, handler)
        } catch (refused: Exception) {
            trouble(this, refused)
        }
    }

    /** The flash stays off: light from beside the lens takes the shadows out of a print. */
    private fun Running.request(template: Int, target: Surface) = checkNotNull(device).createCaptureRequest(template).apply {
        addTarget(target)
        if (focuses) set(CaptureRequest.CONTROL_AF_MODE, CaptureRequest.CONTROL_AF_MODE_CONTINUOUS_PICTURE)
        set(CaptureRequest.CONTROL_AE_MODE, CaptureRequest.CONTROL_AE_MODE_ON)
        set(CaptureRequest.FLASH_MODE, if (lit) CaptureRequest.FLASH_MODE_TORCH else CaptureRequest.FLASH_MODE_OFF)
    }

    private fun trouble(of: Running, why: Throwable) {
        if (running !== of) return
        running = null
        of.close()
        onTrouble(why)
    }

    private fun seen(image: Image) {
        val plane = image.planes[0]
        onPreview(Preview(plane.buffer, image.width, image.height, plane.rowStride, checkNotNull(sizes).photo.width, screenTurnDeg()))
    }

    /** Under another name until it is whole, so that a cut-off file is never taken for a photograph. */
    private fun write(image: Image, to: File): File {
        val part = File("${to.path}.${Taken.PART}")
        part.outputStream().use { file ->
            file.channel.write(image.planes[0].buffer)
            file.fd.sync()
        }
        if (!part.renameTo(to)) throw IOException("${to.name} couldn't be written")
        return to
    }

    internal class Sizes(val photo: Size, val preview: Size)

    internal companion object {
        const val JPEG_QUALITY: Byte = 95

        /** One for all screens, so that a camera is closed before the next screen opens it. */
        private val handler by lazy { Handler(HandlerThread("camera").apply { start() }.looper) }

        /** The camera that looks away from the screen, or the only one. */
        private fun rear(cameras: CameraManager): Pair<String, CameraCharacteristics>? = try {
            val all = cameras.cameraIdList.map { it to cameras.getCameraCharacteristics(it) }
            all.find { (_, about) -> about.get(CameraCharacteristics.LENS_FACING) == CameraCharacteristics.LENS_FACING_BACK } ?: all.firstOrNull()
        } catch (_: CameraAccessException) {
            null
        }

        private fun chosen(about: CameraCharacteristics): Sizes? {
            val map = about.get(CameraCharacteristics.SCALER_STREAM_CONFIGURATION_MAP) ?: return null
            return choose(map.getOutputSizes(ImageFormat.JPEG).orEmpty().toList(), map.getOutputSizes(ImageFormat.YUV_420_888).orEmpty().toList())
        }

        /** The largest photograph, and the preview up to 1280 × 960 that shows most nearly the same. */
        fun choose(photos: List<Size>, previews: List<Size>): Sizes? {
            val photo = photos.maxByOrNull { it.width.toLong() * it.height } ?: return null
            fun apart(preview: Size) = abs(preview.width.toDouble() * photo.height / (preview.height.toDouble() * photo.width) - 1)
            val small = previews.filter { it.width <= 1280 && it.height <= 960 }
            // Sides are whole pixels: shapes within 2 % are the same.
            val preview = small.minWithOrNull(compareBy<Size> { (apart(it) / 0.02).toInt() }.thenByDescending { it.width * it.height })
            return preview?.let { Sizes(photo, it) }
        }
    }
}

/** How far the screen reads turned from the phone's own upright, clockwise, degrees. */
fun Activity.turnedDeg(): Int = @Suppress("DEPRECATION") // What replaces it needs API 30.
windowManager.defaultDisplay.rotation * 90
