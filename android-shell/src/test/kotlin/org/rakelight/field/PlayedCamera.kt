package org.rakelight.field

import android.app.Activity
import android.graphics.Bitmap
import android.graphics.BitmapFactory
import android.graphics.Canvas
import android.graphics.Color
import android.graphics.Matrix
import android.widget.ImageView
import java.io.File
import java.io.IOException
import java.nio.ByteBuffer
import java.time.Duration
import org.rakelight.core.Place
import org.robolectric.RuntimeEnvironment
import org.robolectric.Shadows.shadowOf
import org.robolectric.shadows.ShadowSystemClock

/** A camera that plays pictures, as a sensor that lies on its side in a phone held upright. */
class PlayedCamera(screen: Activity) : CameraSource {
    override val view = ImageView(screen).apply { contentDescription = "what the camera sees"; scaleType = ImageView.ScaleType.FIT_XY }
    override var aspect = 0.75f
    override val hasLight = true
    private var onPreview: ((Preview) -> Unit)? = null
    private var onTrouble: (Throwable) -> Unit = {}

    /** What the shutter gives; null where the phone dies before it is told that the file is there. */
    var photograph: File? = Demo.otter
    var tellsOfIt = true
    var turnedDeg = 0
    var lit = false
    val isOpen get() = onPreview != null

    override fun open(onPreview: (Preview) -> Unit, onTrouble: (Throwable) -> Unit) {
        this.onPreview = onPreview
        this.onTrouble = onTrouble
        refuses?.let(onTrouble)
    }

    override fun take(to: File, turnedDeg: Int, done: (Result<File>) -> Unit) {
        this.turnedDeg = turnedDeg
        val photograph = photograph ?: return done(Result.failure(IOException("no photograph came")))
        photograph.copyTo(to)
        if (tellsOfIt) done(Result.success(to))
    }

    override fun light(on: Boolean) {
        lit = on
    }

    override fun close() {
        onPreview = null
    }

    fun fail() = onTrouble(IOException("another app took the camera"))

    /** Plays a picture, so long after the one before. */
    fun play(picture: Bitmap, photoWidthPx: Int = 4000, afterMs: Long = 250) {
        ShadowSystemClock.advanceBy(Duration.ofMillis(afterMs))
        val (width, height, stride) = Triple(picture.width, picture.height, picture.width + 32)
        val luma = ByteBuffer.allocateDirect(stride * height)
        val pixels = IntArray(width * height).also { picture.getPixels(it, 0, width, 0, 0, width, height) }
        pixels.forEachIndexed { at, pixel ->
            val grey = (0.299 * Color.red(pixel) + 0.587 * Color.green(pixel) + 0.114 * Color.blue(pixel)).toInt()
            luma.put(at / width * stride + at % width, grey.toByte())
        }
        view.setImageBitmap(Bitmap.createBitmap(picture, 0, 0, width, height, Matrix().apply { postRotate(90f) }, true))
        aspect = height.toFloat() / width
        view.requestLayout()
        onPreview?.invoke(Preview(luma, width, height, stride, photoWidthPx, 90))
        // As a camera takes its frame's memory back.
        (0 until luma.capacity()).forEach { luma.put(it, 0) }
    }

    companion object {
        /** Why the camera refuses to open, where it does. */
        var refuses: Throwable? = null

        fun picture(file: File, width: Int = 1280): Bitmap = checkNotNull(BitmapFactory.decodeFile(file.path)).let { Bitmap.createScaledBitmap(it, width, it.height * width / it.width, true) }

        val ground: Bitmap = Bitmap.createBitmap(1280, 960, Bitmap.Config.ARGB_8888).apply { Canvas(this).drawColor(Color.rgb(120, 110, 100)) }
    }
}

/** Poses as they are told. */
class PlayedAttitude : Attitude {
    var onPose: ((Pose) -> Unit)? = null

    override fun start(onPose: (Pose) -> Unit) {
        this.onPose = onPose
    }

    override fun stop() {
        onPose = null
    }

    /** Tilted so far, its right side up, with its top to [headingDeg]. */
    fun play(tiltDeg: Double, headingDeg: Double? = null) {
        val tilt = Math.toRadians(tiltDeg)
        checkNotNull(onPose)(Pose(9.81 * Math.sin(tilt), 0.0, 9.81 * Math.cos(tilt), headingDeg))
    }
}

/** The app with a camera and sensors that play. */
class Played(may: Boolean = true) {
    val app = RuntimeEnvironment.getApplication() as FieldApp
    lateinit var camera: PlayedCamera
    val attitude = PlayedAttitude()

    init {
        PlayedCamera.refuses = null
        app.camera = { screen -> PlayedCamera(screen).also { camera = it } }
        app.attitude = { _, _ -> attitude }
        if (may) shadowOf(app).grantPermissions(android.Manifest.permission.CAMERA)
    }

    fun at(lat: Double, lon: Double) {
        app.positions = object : Positions {
            override val latest = Place(lat, lon, 5.0)
        }
    }
}
