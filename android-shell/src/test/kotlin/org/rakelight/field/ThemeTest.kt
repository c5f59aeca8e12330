package org.rakelight.field

import android.graphics.Color
import org.junit.Assert.assertTrue
import org.junit.Test
import org.robolectric.RuntimeEnvironment
import org.robolectric.annotation.Config

class ThemeTest : OnThePhone() {
    @Test
    fun wordsAreReadableInSun() = check()

    @Test
    @Config(qualifiers = "night")
    fun wordsAreReadableAtNight() = check()

    private fun check() {
        val context = RuntimeEnvironment.getApplication()
        listOf(
            R.color.text to R.color.ground,
            R.color.second to R.color.ground,
            R.color.action to R.color.ground,
            R.color.problem to R.color.ground,
            R.color.text to R.color.panel,
            R.color.second to R.color.panel,
            R.color.on_action to R.color.action,
            R.color.ink to R.color.lamp,
            R.color.ink to R.color.foam,
        ).forEach { (letters, ground) ->
            val contrast = contrast(context.getColor(letters), context.getColor(ground))
            val names = listOf(letters, ground).joinToString(" on ") { context.resources.getResourceEntryName(it) }
            assertTrue("$names: $contrast", contrast >= 7.0)
        }
    }

    /** WCAG 2.2, contrast ratio. */
    private fun contrast(a: Int, b: Int): Double {
        val (dark, light) = listOf(a, b).map { Color.luminance(it).toDouble() }.sorted()
        return (light + 0.05) / (dark + 0.05)
    }
}
