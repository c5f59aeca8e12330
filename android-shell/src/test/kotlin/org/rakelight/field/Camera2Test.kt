package org.rakelight.field

import android.graphics.ImageFormat
import android.graphics.SurfaceTexture
import android.hardware.camera2.CameraCharacteristics
import android.hardware.camera2.CameraManager
import android.util.Size
import android.view.TextureView
import org.junit.Assert.assertEquals
import org.junit.Assert.assertTrue
import org.junit.Test
import org.robolectric.RuntimeEnvironment
import org.robolectric.Shadows.shadowOf
import org.robolectric.shadows.ShadowCameraCharacteristics
import org.robolectric.shadows.ShadowLooper
import org.robolectric.shadows.StreamConfigurationMapBuilder

/** The framework's camera, as far as it can be had without a phone: which one is chosen, and what is said where there is none. */
class Camera2Test : OnThePhone() {
    private val app = RuntimeEnvironment.getApplication() as FieldApp
    private val cameras = app.getSystemService(CameraManager::class.java)!!

    /** As the hardware layer calls JPEG (HAL_PIXEL_FORMAT_BLOB). */
    private val BLOB = 0x21

    private fun camera(id: String, facing: Int) {
        val about = ShadowCameraCharacteristics.newCameraCharacteristics()
        val sizes = StreamConfigurationMapBuilder.newBuilder()
        listOf(Size(4000, 3000), Size(1920, 1080)).forEach { sizes.addOutputSize(BLOB, it) }
        listOf(Size(1280, 960), Size(1280, 720)).forEach { sizes.addOutputSize(ImageFormat.YUV_420_888, it) }
        shadowOf(about).set(CameraCharacteristics.LENS_FACING, facing)
        shadowOf(about).set(CameraCharacteristics.SENSOR_ORIENTATION, 90)
        shadowOf(about).set(CameraCharacteristics.FLASH_INFO_AVAILABLE, facing == CameraCharacteristics.LENS_FACING_BACK)
        shadowOf(about).set(CameraCharacteristics.SCALER_STREAM_CONFIGURATION_MAP, sizes.build())
        shadowOf(cameras).addCamera(id, about)
    }

    private fun open(): Screen<CameraActivity> {
        shadowOf(app).grantPermissions(android.Manifest.permission.CAMERA)
        return Screen.open<CameraActivity>(FieldScreen.VISIT to Demo.visit(), FieldScreen.SIGN to "print-1790000000")
    }

    @Test
    fun aPhoneWithoutACameraIsToldSo() {
        val screen = open()
        assertTrue(screen.words(), screen.says(R.string.camera_failed))
        assertTrue(screen.buttons().any { it.text == screen.string(R.string.choose) })
    }

    /** Lets the camera's own thread and then the screen do what they have before them. */
    private fun Screen<*>.rest() {
        repeat(3) {
            ShadowLooper.getAllLoopers().filter { it.thread.name == "camera" }.forEach { shadowOf(it).idle() }
            settle()
        }
    }

    @Test
    fun theRearCameraIsOpenedUprightAndItIsSaidWhenAnotherAppTakesIt() {
        camera("0", CameraCharacteristics.LENS_FACING_FRONT)
        camera("1", CameraCharacteristics.LENS_FACING_BACK)
        val made = mutableListOf<Camera2Source>()
        app.camera = { screen -> Camera2Source(screen).also { made += it } }
        val screen = open()
        val source = made.single()
        assertTrue("the rear camera has a lamp", source.hasLight)
        assertEquals("its sensor lies on its side", 0.75f, source.aspect, 1e-6f)
        (source.view as TextureView).surfaceTextureListener!!.onSurfaceTextureAvailable(SurfaceTexture(0), 600, 800)
        screen.rest()
        assertTrue(screen.words(), screen.says(R.string.preview_looking))
        shadowOf(cameras).triggerDisconnect()
        screen.rest()
        assertTrue(screen.words(), screen.words().contains("another app took the camera"))
    }
}
