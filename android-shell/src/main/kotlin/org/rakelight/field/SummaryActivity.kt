package org.rakelight.field

import android.content.ClipData
import android.content.Intent
import android.print.PrintAttributes
import android.print.PrintManager
import android.webkit.WebView
import java.io.File

/** The landowner's page: shown, shared, printed. */
class SummaryActivity : FieldScreen() {
    private val visit by lazy { checkNotNull(intent.getStringExtra(VISIT)) }
    private val paper by lazy {
        WebView(this).apply {
            settings.javaScriptEnabled = false
            settings.allowContentAccess = false
            settings.blockNetworkLoads = true
            contentDescription = getString(R.string.summary_title)
        }
    }
    private var name = ""
    var file: File? = null
        private set

    override fun begin() {
        val written = File(SharedFiles.folder(this), "summary-${visit.take(8)}.html")
        work({ workspace ->
            workspace.makeSummary(visit, written.path)
            workspace.visitLine(visit).place to written.readText()
        }, R.string.summary_busy) { (place, html) ->
            name = place
            file = written
            paper.loadDataWithBaseURL(null, html, "text/html", "utf-8", null)
            redraw()
        }
    }

    private fun share() {
        val uri = SharedFiles.uri(checkNotNull(file))
        val send = Intent(Intent.ACTION_SEND).setType("text/html").putExtra(Intent.EXTRA_STREAM, uri).putExtra(Intent.EXTRA_SUBJECT, name)
        send.clipData = ClipData.newRawUri(name, uri)
        startActivity(Intent.createChooser(send.addFlags(Intent.FLAG_GRANT_READ_URI_PERMISSION), getString(R.string.summary_share)))
    }

    private fun print() {
        val printing = getSystemService(PrintManager::class.java) ?: return
        printing.print(name, paper.createPrintDocumentAdapter(name), PrintAttributes.Builder().setMediaSize(PrintAttributes.MediaSize.ISO_A4).build())
    }

    override fun Page.content() {
        look(paper)
        prompt(getString(R.string.summary_title))
        second(getString(R.string.summary_caution))
        buttons(
            Press(getString(R.string.summary_share), icon = R.drawable.ic_base, act = ::share),
            Press(getString(R.string.summary_print), quiet = true, act = ::print),
            Press(getString(R.string.back_to_day), quiet = true) {
                startActivity(Intent(this@SummaryActivity, DayActivity::class.java).addFlags(Intent.FLAG_ACTIVITY_CLEAR_TOP))
                finish()
            },
        )
    }
}
