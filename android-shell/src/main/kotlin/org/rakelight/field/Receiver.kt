package org.rakelight.field

import android.Manifest.permission.ACCESS_FINE_LOCATION
import android.content.Context
import android.content.pm.PackageManager.PERMISSION_GRANTED
import android.location.Location
import android.location.LocationListener
import android.location.LocationManager
import android.os.Bundle
import android.os.Looper
import java.time.Instant
import java.time.ZoneId
import org.rakelight.core.Fix
import org.rakelight.core.Moment

/** What tells the fixes. Behind an interface, so that tests walk a recorded way. */
interface Receiver {
    /** Whether the worker and the phone let it. */
    val state: State

    /** Each fix as it comes. */
    fun start(each: (Fix) -> Unit)

    fun stop()

    enum class State { READY, REFUSED, SWITCHED_OFF }
}

/** The phone's satellite receiver, asked directly: no other program's service is needed for it. */
class SatelliteReceiver(private val context: Context) : Receiver, LocationListener {
    private val manager get() = context.getSystemService(LocationManager::class.java)
    private var each: (Fix) -> Unit = {}

    override val state get() = when {
        context.checkSelfPermission(ACCESS_FINE_LOCATION) != PERMISSION_GRANTED -> Receiver.State.REFUSED
        manager?.isProviderEnabled(LocationManager.GPS_PROVIDER) != true -> Receiver.State.SWITCHED_OFF
        else -> Receiver.State.READY
    }

    override fun start(each: (Fix) -> Unit) {
        stop()
        this.each = each
        manager?.requestLocationUpdates(LocationManager.GPS_PROVIDER, EVERY_MS, AT_LEAST_M, this, Looper.getMainLooper())
    }

    override fun stop() {
        manager?.removeUpdates(this)
    }

    /** A location's accuracy is the radius that holds the truth with 68 % (the framework's documentation of `getAccuracy`). */
    override fun onLocationChanged(location: Location) {
        val offsetMinutes = ZoneId.systemDefault().rules.getOffset(Instant.ofEpochMilli(location.time)).totalSeconds / 60
        val radius = if (location.hasAccuracy()) location.accuracy.toDouble() else null
        each(Fix(Moment(location.time, offsetMinutes), location.latitude, location.longitude, radius))
    }

    // Before Android 11 the framework calls these, and an interface's own defaults aren't there.
    override fun onProviderEnabled(provider: String) = Unit

    override fun onProviderDisabled(provider: String) = Unit

    @Deprecated("Called before Android 10 only.")
    override fun onStatusChanged(provider: String?, status: Int, extras: Bundle?) = Unit

    private companion object {
        /** Who searches walks some 5 m in it, less than what counts as the same place (core/data/recording.toml); asking more often costs battery for nothing. Assumed. */
        const val EVERY_MS = 5_000L

        /** None: standing still must be told too, or it would count as silence (core/data/recording.toml). */
        const val AT_LEAST_M = 0f
    }
}
