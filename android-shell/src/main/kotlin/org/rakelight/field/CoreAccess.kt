package org.rakelight.field

import android.content.Context
import android.os.Handler
import android.os.Looper
import java.io.File
import java.time.Instant
import java.time.LocalDate
import java.time.ZoneId
import java.util.Locale
import java.util.concurrent.Executors
import org.rakelight.core.Consent
import org.rakelight.core.Moment
import org.rakelight.core.VisitHead
import org.rakelight.core.Workspace

/** Every call into the core runs here, one after the other, never on the screen's thread. */
class CoreAccess(private val context: Context) {
    private val background = Executors.newSingleThreadExecutor { work -> Thread(work, "core").apply { isDaemon = true } }
    private val screen = Handler(Looper.getMainLooper())
    private var opened: Pair<String, Workspace>? = null

    /** Does [work] in the background and gives what came of it to [done] on the screen's thread. */
    fun <T> run(work: (Workspace) -> T, done: (Result<T>) -> Unit) {
        background.execute {
            val result = runCatching { work(workspace()) }
            screen.post { done(result) }
        }
    }

    /** The store in the phone's language; opened anew where the language has changed. */
    private fun workspace(): Workspace {
        check(Looper.myLooper() != Looper.getMainLooper()) { "the core was called on the screen's thread" }
        val language = Locale.getDefault().language
        opened?.let { (spoken, workspace) -> if (spoken == language) return workspace else workspace.close() }
        val folder = File(context.filesDir, "store").path
        val workspace =
            if (PhoneKey.isThere) Workspace.openWithKey(folder, language, AesWrapping(PhoneKey)) else Workspace.open(folder, language)
        return workspace.also { opened = language to it }
    }

    /** Today's visit; one is opened where there is none yet. Call it in the background. */
    fun visitToday(workspace: Workspace): String {
        val kept = context.getSharedPreferences("visit", Context.MODE_PRIVATE)
        val today = LocalDate.now().toString()
        kept.getString(today, null)?.let { return it }
        val now = now()
        val head = VisitHead(
            purpose = context.getString(R.string.purpose),
            targets = emptyList(),
            start = now,
            people = emptyList(),
            placeName = context.getString(R.string.place_not_given),
            landowner = null,
            consent = Consent.NONE,
            notice = null,
        )
        return workspace.openVisit(head, now).also { kept.edit().clear().putString(today, it).commit() }
    }

    companion object {
        fun now(): Moment {
            val now = Instant.now()
            return Moment(now.toEpochMilli(), ZoneId.systemDefault().rules.getOffset(now).totalSeconds / 60)
        }
    }
}
