package org.rakelight.field

import android.os.Handler
import android.os.Looper
import java.io.File
import java.time.ZoneId
import java.util.concurrent.Executors
import org.rakelight.core.Moment
import org.rakelight.core.Workspace

/** Every call into the core runs here, one after the other, never on the screen's thread. */
class CoreAccess(private val app: FieldApp) {
    private val background = Executors.newSingleThreadExecutor { work -> Thread(work, "core").apply { isDaemon = true } }
    /** An exchange takes long and has a connection of its own, so that the worker records meanwhile. */
    private val exchanging = Executors.newSingleThreadExecutor { work -> Thread(work, "exchange").apply { isDaemon = true } }
    private val screen = Handler(Looper.getMainLooper())
    private var opened: Pair<String, Workspace>? = null

    /** Does [work] in the background and gives what came of it to [done] on the screen's thread. */
    fun <T> run(work: (Workspace) -> T, done: (Result<T>) -> Unit) {
        background.execute { finish(runCatching { work(workspace()) }, done) }
    }

    /** As [run], beside everything else. */
    fun <T> runLong(work: (Workspace) -> T, done: (Result<T>) -> Unit) {
        background.execute {
            runCatching { workspace() }
                .onFailure { finish(Result.failure(it), done) }
                .onSuccess { workspace -> exchanging.execute { finish(runCatching { work(workspace) }, done) } }
        }
    }

    private fun <T> finish(result: Result<T>, done: (Result<T>) -> Unit) {
        screen.post { done(result) }
    }

    /** The store in the app's language; opened anew where the language has changed. */
    internal fun workspace(): Workspace {
        check(Looper.myLooper() != Looper.getMainLooper()) { "the core was called on the screen's thread" }
        val language = Language.of(app).language
        opened?.let { (spoken, workspace) -> if (spoken == language) return workspace }
        // Never part of a backup or of a move to another phone: positions leave by an exchange only, and a copied log would fork.
        val folder = File(app.noBackupFilesDir, "store").path
        val workspace =
            if (PhoneKey.isThere) Workspace.openWithKey(folder, language, AesWrapping(PhoneKey)) else Workspace.open(folder, language)
        return workspace.also { opened = language to it }
    }

    fun now(): Moment {
        val now = app.clock()
        return Moment(now.toEpochMilli(), ZoneId.systemDefault().rules.getOffset(now).totalSeconds / 60)
    }
}
