package org.rakelight.field

import android.app.Activity
import android.content.Context
import android.content.Intent
import android.net.Uri
import android.os.Bundle
import android.view.inputmethod.InputMethodManager
import java.io.File
import org.rakelight.core.ShellException
import org.rakelight.core.SignKind
import org.rakelight.core.Workspace

/**
 * One screen. What the worker says on it goes into the store as a draft at once, so that nothing is lost when the system throws the screen or the whole
 * app away; what the core says is asked for anew.
 */
abstract class FieldScreen : Activity() {
    protected val app get() = application as FieldApp
    protected val core get() = app.core
    protected val settings get() = app.settings
    protected lateinit var page: Page
        private set

    /** The name of this screen's draft; null where nothing is typed. */
    protected open val draftName: String? = null

    /** What the worker said so far. */
    var draft = Draft()
        private set

    /** What is being worked on, in words, while the worker waits for it. */
    private var busy: Int? = null
    private var problem: Throwable? = null
    private var pending = 0

    /** Nothing is under way: for tests. */
    val rests get() = pending == 0

    override fun attachBaseContext(base: Context) = super.attachBaseContext(Language.wrap(base))

    override fun onCreate(saved: Bundle?) {
        super.onCreate(saved)
        page = Page(this, settings.leftHanded)
        setContentView(page.root)
        val name = draftName
        if (name == null) begin() else work({ it.draft(name) }) { text ->
            draft = Draft.of(text)
            begin()
        }
    }

    /** Asks the core for what the screen shows; the draft is there. */
    protected abstract fun begin()

    /** Writes the screen. */
    protected abstract fun Page.content()

    protected fun redraw() = page.write {
        val busy = busy
        val problem = problem
        when {
            busy != null -> prompt(getString(busy))
            problem != null -> troubled(problem)
            else -> content()
        }
    }

    /** What is shown where something went wrong; a screen may offer more than to go back to where it was. */
    protected open fun Page.troubled(problem: Throwable) {
        tell(problem)
        buttons(Press(getString(R.string.back_to_it)) { solved() })
    }

    protected fun Page.tell(problem: Throwable) {
        val (what, then) = problem(problem)
        alarm(what)
        second(then)
    }

    protected fun solved() {
        problem = null
        redraw()
    }

    /** Asks the core; with [busy] the worker waits and sees what for. What goes wrong is shown. */
    protected fun <T> work(work: (Workspace) -> T, busy: Int? = null, finally: () -> Unit = {}, done: (T) -> Unit) {
        pending += 1
        if (busy != null) {
            this.busy = busy
            redraw()
        }
        core.run(work) { result ->
            pending -= 1
            if (busy != null) this.busy = null
            if (isDestroyed) return@run
            finally()
            result.onFailure { problem = it; redraw() }.onSuccess(done)
        }
    }

    /** As [work], beside everything else; the screen shows itself what is under way. */
    protected fun <T> workLong(work: (Workspace) -> T, finally: () -> Unit, done: (T) -> Unit) {
        pending += 1
        core.runLong(work) { result ->
            pending -= 1
            if (isDestroyed) return@runLong
            finally()
            result.onFailure { problem = it; redraw() }.onSuccess(done)
        }
    }

    /** The screen on which a sign of a kind is noted. */
    protected fun signScreen(visit: String, sign: String): Intent {
        val screen = when (Signs.kindOf(sign)) {
            SignKind.PRINT -> MeasureActivity::class.java
            SignKind.TRAIL -> TrailActivity::class.java
            else -> SignActivity::class.java
        }
        return Intent(this, screen).putExtra(VISIT, visit).putExtra(SIGN, sign)
    }

    protected fun cameraScreen(visit: String, sign: String) = Intent(this, CameraActivity::class.java).putExtra(VISIT, visit).putExtra(SIGN, sign)

    @Suppress("DEPRECATION") // The framework has no other way without AndroidX.
    protected fun startForResult(intent: Intent, request: Int) = startActivityForResult(intent, request)

    /** In the system's own picker. */
    protected fun choosePhoto(request: Int) =
        startForResult(Intent(Intent.ACTION_OPEN_DOCUMENT).addCategory(Intent.CATEGORY_OPENABLE).setType("image/jpeg"), request)

    /** What was chosen there, byte by byte the same. */
    protected fun copyChosen(uri: Uri, to: File) {
        val input = contentResolver.openInputStream(uri) ?: throw ShellException.BadPhoto("nothing can be read from $uri")
        input.use { from -> to.outputStream().use { from.copyTo(it) } }
    }

    /** Keeps an answer. The screen is written anew, but for [quietly] where the worker is still typing. */
    protected fun answer(key: String, value: String?, quietly: Boolean = false) = change(quietly) { it.with(key, value) }

    protected fun change(quietly: Boolean = false, change: (Draft) -> Draft) {
        draft = change(draft)
        val name = checkNotNull(draftName)
        val text = draft.toString()
        work({ it.keepDraft(name, text) }) { if (!quietly) answered() }
    }

    /** After an answer was kept. */
    protected open fun answered() = redraw()

    /** What was typed here is in the store as a record now. */
    protected fun finished(workspace: Workspace) = draftName?.let(workspace::dropDraft)

    /** A field of the draft. */
    protected fun Page.typed(key: String, label: Int, kind: Page.Typing = Page.Typing.WORDS) =
        field(getString(label), draft[key].orEmpty(), kind) { answer(key, it.ifBlank { null }, quietly = true) }

    /** One of several, which another press takes back. */
    protected fun Page.one(key: String, label: Int, choices: List<Pair<String, String>>) =
        choose(getString(label), choices, setOf(draft[key])) { answer(key, it.takeIf { it != draft[key] }) }

    /** Any of several. */
    protected fun Page.some(key: String, label: Int, choices: List<Pair<String, String>>) {
        val chosen = draft.list(key)
        choose(getString(label), choices, chosen.toSet(), many = true) { pressed ->
            change { it.with(key, if (pressed in chosen) chosen - pressed else chosen + pressed) }
        }
    }

    /** Yes, no, or nothing. */
    protected fun Page.yesNo(key: String, label: Int) = one(key, label, listOf("true" to getString(R.string.yes), "false" to getString(R.string.no)))

    protected fun hideKeyboard() {
        val keyboard = getSystemService(InputMethodManager::class.java)
        keyboard?.hideSoftInputFromWindow(page.root.windowToken, 0)
    }

    companion object {
        const val VISIT = "visit"
        const val SIGN = "sign"
        const val PHOTO = "photo"
        const val KIND = "kind"
        const val PLACE = "place"
    }
}
