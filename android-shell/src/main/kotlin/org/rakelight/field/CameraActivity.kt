package org.rakelight.field

import android.app.Activity
import android.content.ActivityNotFoundException
import android.content.Intent
import android.hardware.GeomagneticField
import android.net.Uri
import android.provider.MediaStore
import android.view.KeyEvent
import android.view.KeyEvent.KEYCODE_VOLUME_DOWN
import android.view.KeyEvent.KEYCODE_VOLUME_UP
import java.io.File
import org.rakelight.core.Moment
import org.rakelight.core.PreviewSeen
import org.rakelight.core.PreviewWord
import org.rakelight.core.ShellException
import org.rakelight.core.SignKind
import org.rakelight.core.SunNow
import org.rakelight.core.lookAtPreview

/** The photograph of a sign. Of a print and a trail with the scale card, from straight above, in light that comes from the side. */
class CameraActivity : CameraScreen() {
    private val visit by lazy { checkNotNull(intent.getStringExtra(VISIT)) }
    private val sign by lazy { checkNotNull(intent.getStringExtra(SIGN)) }
    private val kind by lazy { Signs.kindOf(sign) }
    private val withCard get() = kind == SignKind.PRINT || kind == SignKind.TRAIL

    private val finder by lazy { Viewfinder(this, source).apply { if (withCard) askForCard(nearlyFilling = kind == SignKind.PRINT) else name(kind) } }
    private val attitude by lazy { app.attitude(this, ::declinationDeg) }
    private var pose: Pose? = null
    private var sun: SunNow? = null
    private var sunAsked: Moment? = null
    private var declination: Double? = null
    private var taking = false

    override val why = R.string.camera_why

    override fun onResume() {
        super.onResume()
        attitude.start(::posed)
    }

    override fun onPause() {
        attitude.stop()
        super.onPause()
    }

    override fun Page.live() {
        look(finder)
        buttons(Press(getString(R.string.shutter), icon = R.drawable.ic_photo, large = true, act = ::take), lightPress())
    }

    // What is seen

    override fun look(preview: Preview, done: () -> Unit) {
        if (!withCard) return done()
        work({ with(preview) { lookAtPreview(luma, widthPx, heightPx, rowStridePx, photoWidthPx) } }) { seen ->
            finder.seen(preview, seen.copy(word = word(seen)))
            done()
        }
    }

    /** A print's dimensions need a nearer look than a trail's, of which more is in the picture. */
    private fun word(seen: PreviewSeen) = when {
        kind != SignKind.TRAIL || seen.word != PreviewWord.TOO_FAR -> seen.word
        seen.sharp -> PreviewWord.GOOD
        else -> PreviewWord.BLURRED
    }

    private fun posed(pose: Pose) {
        this.pose = pose
        if (!withCard) return
        finder.posed(pose, sun)
        if (pose.headingDeg != null) askSun()
    }

    /** The sun goes a quarter of a degree a minute. */
    private fun askSun() {
        val (place, now) = (app.positions.latest ?: return) to core.now()
        if (sunAsked.let { it != null && now.utcMs - it.utcMs < 60_000 }) return
        sunAsked = now
        work({ it.sunAt(place.lat, place.lon, now) }) { sun ->
            this.sun = sun
            pose?.let { finder.posed(it, sun) }
        }
    }

    /** It changes little over a day's walk. */
    private fun declinationDeg(): Double? = declination ?: app.positions.latest?.let {
        GeomagneticField(it.lat.toFloat(), it.lon.toFloat(), 0f, core.now().utcMs).declination.toDouble()
    }.also { declination = it }

    // The photograph

    /** Either volume key is found by cold fingers without looking. */
    override fun onKeyDown(key: Int, event: KeyEvent): Boolean {
        if (!isVolume(key) || !isLive) return super.onKeyDown(key, event)
        if (event.repeatCount == 0) take()
        return true
    }

    override fun onKeyUp(key: Int, event: KeyEvent) = isVolume(key) && isLive || super.onKeyUp(key, event)

    private fun isVolume(key: Int) = key == KEYCODE_VOLUME_UP || key == KEYCODE_VOLUME_DOWN

    private fun take() {
        if (taking || !isLive) return
        taking = true
        finder.taking()
        source.take(app.taken.next(visit, sign, core.now()), pose?.turnedDeg ?: 0) { taken ->
            runOnUiThread {
                taking = false
                taken.onSuccess(::add).onFailure(::failed)
            }
        }
    }

    private fun add(file: File) = work({ app.taken.add(it, file, core.now(), app.positions.latest) }, R.string.busy_write) { toSign(it?.sha256) }

    private fun toSign(sha256: String?) {
        startActivity(signScreen(visit, sign).putExtra(PHOTO, sha256).addFlags(Intent.FLAG_ACTIVITY_CLEAR_TOP or Intent.FLAG_ACTIVITY_SINGLE_TOP))
        finish()
    }

    // Without this camera

    override fun otherWays() = arrayOf(
        Press(getString(R.string.other_camera), quiet = true, act = ::otherCamera),
        Press(getString(R.string.choose), quiet = true, act = ::choose),
    )

    override val otherWaysHint = R.string.other_camera_hint

    /**
     * The phone's own camera. It gives its photograph to this app only where this app may use the camera itself: the system refuses otherwise an app
     * that asks for the permission at all (MediaStore.ACTION_IMAGE_CAPTURE). Then it is only opened, and the photograph chosen afterwards.
     */
    private fun otherCamera() = try {
        if (mayLook) awaitPhoto() else startActivity(Intent(MediaStore.INTENT_ACTION_STILL_IMAGE_CAMERA))
    } catch (_: ActivityNotFoundException) {
        choose()
    } catch (_: SecurityException) { // The device's owner forbids every camera.
        choose()
    }

    private fun awaitPhoto() {
        val file = app.taken.next(visit, sign, core.now()).apply { createNewFile() }
        val path = app.taken.path(file)
        settings.awaited = path
        val write = Intent.FLAG_GRANT_WRITE_URI_PERMISSION or Intent.FLAG_GRANT_READ_URI_PERMISSION
        startForResult(Intent(MediaStore.ACTION_IMAGE_CAPTURE).putExtra(MediaStore.EXTRA_OUTPUT, SharedFiles.uriOfTaken(path)).addFlags(write), AWAITED)
    }

    private fun choose() = choosePhoto(CHOSEN)

    @Deprecated("The framework's own; there is no other without AndroidX.")
    override fun onActivityResult(request: Int, result: Int, data: Intent?) {
        val chosen = data?.data
        when {
            request == AWAITED -> awaited()
            request == CHOSEN && result == Activity.RESULT_OK && chosen != null -> addChosen(chosen)
        }
    }

    /** Some cameras write their photograph and report nothing; what counts is the file. Where it is gone the store has it already. */
    private fun awaited() {
        val file = settings.awaited?.let(app.taken::file) ?: return
        settings.awaited = null
        if (file.exists() && file.length() == 0L) file.delete() else add(file)
    }

    /** A chosen file that is no photograph doesn't stay: it is still where it was chosen from. */
    private fun addChosen(uri: Uri) = work({ workspace ->
        val file = app.taken.next(visit, sign, core.now())
        try {
            copyChosen(uri, file)
            app.taken.add(workspace, file, core.now(), app.positions.latest)
        } catch (bad: ShellException.BadPhoto) {
            file.delete()
            throw bad
        }
    }, R.string.busy_photo) { toSign(it?.sha256) }

    private companion object {
        const val AWAITED = 1
        const val CHOSEN = 2
    }
}
