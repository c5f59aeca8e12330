package org.rakelight.field

import android.app.Activity
import android.app.Application
import android.content.Context
import android.content.res.Configuration
import java.time.Instant
import java.util.Locale

/** Holds what lives as long as the app: the way to the core, the settings, the clock. */
class FieldApp : Application() {
    val core by lazy { CoreAccess(this) }
    val settings by lazy { Settings(this) }

    val turnBack by lazy { TurnBack(this) }

    /** Photographs that aren't in the store yet. */
    val taken by lazy { Taken(this) }

    /** Set by tests, as the clock is. */
    var camera: (Activity) -> CameraSource = ::Camera2Source
    var attitude: (Activity, () -> Double?) -> Attitude = ::PhoneAttitude
    var clock: () -> Instant = Instant::now

    /** What the track's service was told of where the phone is. */
    val phone = PhonePositions { clock() }

    /** Where the phone is; set by tests. */
    var positions: Positions = phone

    /** Set by tests. */
    var receiver: Receiver = SatelliteReceiver(this)

    override fun onCreate() {
        super.onCreate()
        Locale.setDefault(Language.of(this))
        // Where the app was killed while a track was recorded.
        core.run({ workspace -> workspace.drafts(TRACKS).forEach { workspace.endTrack(it.removePrefix(TRACKS)) } }) {}
        addWaiting()
    }

    /** What was photographed and not yet written when the app ended. */
    fun addWaiting() {
        if (taken.waiting().isNotEmpty()) core.run({ taken.addWaiting(it, core.now()) }) {}
    }

    private companion object {
        /** What the drafts of tracks are named by. */
        const val TRACKS = "track/"
    }
}

/** The app's language, which may be another one than the phone's. */
object Language {
    /** Those that the app speaks. */
    val ALL = listOf("en", "de", "fr", "es", "pl")

    fun of(context: Context): Locale {
        val phone = context.resources.configuration.locales[0]
        val chosen = Settings(context).language ?: return phone
        return if (chosen == phone.language) phone else Locale.forLanguageTag(chosen)
    }

    /** The same context, in the app's language. */
    fun wrap(context: Context): Context {
        val locale = of(context)
        return context.createConfigurationContext(Configuration(context.resources.configuration).apply { setLocale(locale) })
    }
}
