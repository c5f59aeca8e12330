package org.rakelight.field

import android.os.VibrationEffect
import android.os.Vibrator
import org.rakelight.core.Moment

/** When to turn back, as the core said last. Felt in the pocket once a quarter of an hour before, and once when it is due. */
class TurnBack(private val app: FieldApp) {
    fun set(at: Moment?) {
        app.settings.turnBackMs = at?.utcMs
        check()
    }

    fun check() {
        val turnBackMs = app.settings.turnBackMs ?: return
        val left = turnBackMs - app.clock().toEpochMilli()
        val due = WARNED_MS.lastOrNull { left <= it } ?: return
        if (app.settings.turnBackFelt == "$turnBackMs,$due") return
        app.settings.turnBackFelt = "$turnBackMs,$due"
        app.getSystemService(Vibrator::class.java)?.vibrate(VibrationEffect.createWaveform(if (due == 0L) NOW else SOON, -1))
    }

    private companion object {
        /** So long before; the latest last. */
        val WARNED_MS = listOf(15 * 60_000L, 0L)

        /** Still, shaking, still, … in ms. */
        val SOON = longArrayOf(0, 600, 300, 600)
        val NOW = longArrayOf(0, 1000, 300, 1000, 300, 1000, 300, 1000)
    }
}
