package org.rakelight.field

import android.content.Context
import android.content.SharedPreferences

/** What the worker set once for all visits, and which visit is under way. */
class Settings(context: Context) {
    private val kept: SharedPreferences = context.getSharedPreferences("settings", Context.MODE_PRIVATE)

    /** Who writes. */
    var me by text("me")

    /** Who expects the worker back: name and number, in the worker's words. */
    var expectedBy by text("expected_by")

    /** ISO 639-1; null follows the phone. */
    var language by text("language")

    /** What the check line of the worker's card measures, mm; null is true to size. */
    var checkLineMm by text("check_line_mm")

    /** The visit that is under way. */
    var visit by text("visit", atOnce = true)

    /** The photograph that the phone's own camera was asked for: where it is to be written. */
    var awaited by text("awaited", atOnce = true)

    /** Whether the worker paused its track. */
    var trackPaused: Boolean
        get() = kept.getBoolean("track_paused", false)
        set(value) = save { putBoolean("track_paused", value) }

    /** When to turn back from the shore, ms since 1970 in UTC. */
    var turnBackMs: Long?
        get() = kept.getLong("turn_back_ms", 0).takeIf { it != 0L }
        set(value) = save { putLong("turn_back_ms", value ?: 0) }

    /** Which warning of it was given. */
    var turnBackFelt by text("turn_back_felt")

    var leftHanded: Boolean
        get() = kept.getBoolean("left_handed", false)
        set(value) = save { putBoolean("left_handed", value) }

    /** Whether others' photographs come along. */
    var photographsIn: Boolean
        get() = kept.getBoolean("photographs_in", false)
        set(value) = save { putBoolean("photographs_in", value) }

    /** Whether an exchange is made by itself where there is Wi-Fi. */
    var exchangesAlone: Boolean
        get() = kept.getBoolean("exchanges_alone", false)
        set(value) = save { putBoolean("exchanges_alone", value) }

    private fun text(key: String, atOnce: Boolean = false) = object : kotlin.properties.ReadWriteProperty<Any?, String?> {
        override fun getValue(thisRef: Any?, property: kotlin.reflect.KProperty<*>) = kept.getString(key, null)

        override fun setValue(thisRef: Any?, property: kotlin.reflect.KProperty<*>, value: String?) =
            save(atOnce) { putString(key, value?.trim()?.ifEmpty { null }) }
    }

    /** [atOnce] where it must outlive an empty battery in the same second; all else is written beside the screen's thread. */
    private fun save(atOnce: Boolean = false, change: SharedPreferences.Editor.() -> Unit) {
        val changed = kept.edit().apply(change)
        if (atOnce) changed.commit() else changed.apply()
    }
}
