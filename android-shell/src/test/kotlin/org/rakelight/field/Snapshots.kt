package org.rakelight.field

import android.graphics.Bitmap
import android.graphics.BitmapFactory
import android.graphics.Color
import java.io.File
import kotlin.math.abs
import org.junit.Assert.fail

/**
 * What the screens looked like when somebody last looked at them, at a third of their size, in `src/test/snapshots`. A picture that has changed fails its test and leaves
 * `target/screens/NAME-differs.png`, in which the changed parts are red. Looked at and found right, they are taken over by
 * `android-shell/build test -Dsnapshots=take`.
 */
object Snapshots {
    private val folder = File("src/test/snapshots")

    /** A channel's step that the eye doesn't see, and the share of pixels that may differ by more. */
    private const val STEP = 24
    private const val SHARE = 0.002
    private const val SMALLER = 3

    fun check(name: String, screen: Bitmap) {
        val now = Bitmap.createScaledBitmap(screen, screen.width / SMALLER, screen.height / SMALLER, true)
        val file = File(folder, "$name.png")
        if (System.getProperty("snapshots") == "take") return write(file, now)
        if (!file.exists()) return fail("there is no snapshot ${file.name} yet: look at target/screens/$name.png and take it over with -Dsnapshots=take")
        val then = checkNotNull(BitmapFactory.decodeFile(file.path))
        if (then.width != now.width || then.height != now.height) fail("$name was ${then.width} × ${then.height} and is ${now.width} × ${now.height}")
        val (before, after) = pixels(then) to pixels(now)
        val changed = before.indices.filter { differ(before[it], after[it]) }
        if (changed.size <= SHARE * after.size) return
        changed.forEach { after[it] = Color.RED }
        val shown = File("target/screens/$name-differs.png")
        write(shown, Bitmap.createBitmap(after, now.width, now.height, Bitmap.Config.ARGB_8888))
        fail("$name has changed in ${changed.size} of ${after.size} pixels: look at $shown")
    }

    private fun pixels(bitmap: Bitmap) = IntArray(bitmap.width * bitmap.height).also { bitmap.getPixels(it, 0, bitmap.width, 0, 0, bitmap.width, bitmap.height) }

    private fun differ(a: Int, b: Int) = listOf(Color::red, Color::green, Color::blue).any { channel -> abs(channel(a) - channel(b)) > STEP }

    private fun write(file: File, bitmap: Bitmap) {
        file.parentFile.mkdirs()
        file.outputStream().use { bitmap.compress(Bitmap.CompressFormat.PNG, 100, it) }
    }
}
