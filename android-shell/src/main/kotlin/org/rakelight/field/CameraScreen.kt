package org.rakelight.field

import android.Manifest.permission.CAMERA
import android.content.Intent
import android.content.pm.PackageManager.PERMISSION_GRANTED
import android.net.Uri
import android.provider.Settings.ACTION_APPLICATION_DETAILS_SETTINGS

/** A screen that looks through the camera: asks for it, opens it while it is seen, and says so where there is none. */
abstract class CameraScreen : FieldScreen() {
    protected val source by lazy { app.camera(this) }
    private val gate = PreviewGate { preview, done -> runOnUiThread { look(preview, done) } }
    private var trouble: Throwable? = null
    private var refused = false
    private var lit = false

    protected val mayLook get() = checkSelfPermission(CAMERA) == PERMISSION_GRANTED

    /** The camera shows what is before it. */
    protected var isLive = false
        private set

    /** What the camera is asked for, in words. */
    protected abstract val why: Int

    /** The screen while the camera is open. */
    protected abstract fun Page.live()

    /** What there is to do without this camera. */
    protected abstract fun otherWays(): Array<Press>

    /** What must be known of them where the camera may not be used. */
    protected open val otherWaysHint: Int? = null

    /** Looks at a preview, on the screen's thread, and says when the next one may come. */
    protected abstract fun look(preview: Preview, done: () -> Unit)

    override fun begin() = redraw()

    override fun Page.content() {
        val trouble = trouble
        when {
            !mayLook -> {
                prompt(getString(R.string.camera_ask))
                say(getString(why))
                if (refused) second(getString(R.string.camera_refused))
                otherWaysHint?.let { second(getString(it)) }
                buttons(Press(getString(if (systemAsks) R.string.camera_allow else R.string.camera_settings), act = ::ask), *otherWays())
            }
            trouble != null -> {
                prompt(getString(R.string.camera_failed))
                say(getString(R.string.camera_failed_hint))
                second(trouble.message.orEmpty())
                buttons(Press(getString(R.string.camera_again), act = ::again), *otherWays())
            }
            else -> live()
        }
    }

    override fun onResume() {
        super.onResume()
        open()
    }

    override fun onPause() {
        isLive = false
        lit = false
        source.close()
        super.onPause()
    }

    private fun open() {
        if (mayLook && trouble == null) {
            isLive = true
            source.open(gate::offer) { why -> runOnUiThread { failed(why) } }
        }
        redraw()
    }

    protected fun failed(why: Throwable) {
        isLive = false
        source.close()
        trouble = why
        redraw()
    }

    private fun again() {
        trouble = null
        open()
    }

    /** The system asks only twice; after that the worker changes it in the phone's settings. */
    private val systemAsks get() = !refused || shouldShowRequestPermissionRationale(CAMERA)

    private fun ask() {
        if (systemAsks) return requestPermissions(arrayOf(CAMERA), ASKED)
        startActivity(Intent(ACTION_APPLICATION_DETAILS_SETTINGS, Uri.fromParts("package", packageName, null)))
    }

    override fun onRequestPermissionsResult(request: Int, permissions: Array<String>, results: IntArray) {
        refused = !mayLook
        open()
    }

    protected fun lightPress() = Press(getString(R.string.light), quiet = !lit, icon = if (lit) R.drawable.ic_lamp_on else R.drawable.ic_lamp, said = getString(if (lit) R.string.light_off else R.string.light_on)) {
        lit = !lit
        source.light(lit)
        redraw()
    }.takeIf { source.hasLight }

    private companion object {
        const val ASKED = 10
    }
}
