package org.rakelight.field

import android.content.Intent
import org.rakelight.core.readCode

/** Reads an invitation off the base's screen or a printed sheet. */
class ScanActivity : CameraScreen() {
    private val finder by lazy { Viewfinder(this, source).apply { say(R.string.scan_prompt, R.drawable.ic_scan, R.string.scan_hint) } }
    private var other: String? = null

    override val why = R.string.scan_why

    override fun Page.live() {
        look(finder)
        buttons(Press(getString(R.string.back), act = ::finish), lightPress())
    }

    override fun otherWays() = arrayOf(Press(getString(R.string.back), quiet = true, act = ::finish))

    override fun look(preview: Preview, done: () -> Unit) = work({ with(preview) { readCode(luma, widthPx, heightPx, rowStridePx) } }) { text ->
        when {
            isFinishing || text == null -> Unit
            text.startsWith(INVITATION) -> join(text)
            text != other -> {
                other = text
                finder.say(R.string.scan_other, R.drawable.ic_scan, R.string.scan_other_hint)
            }
        }
        done()
    }

    private fun join(invitation: String) {
        val to = Intent(this, ExchangeActivity::class.java).putExtra(ExchangeActivity.INVITATION, invitation)
        startActivity(to.addFlags(Intent.FLAG_ACTIVITY_CLEAR_TOP or Intent.FLAG_ACTIVITY_SINGLE_TOP))
        finish()
    }

    private companion object {
        /** The scheme of an invitation. */
        const val INVITATION = "rakelight:join"
    }
}
