package org.rakelight.field

import java.time.Duration
import java.time.Instant
import org.rakelight.core.Fix
import org.rakelight.core.Place

/** Where the phone is. Behind an interface, so that tests walk a recorded way. */
interface Positions {
    /** The latest known place; null where the phone doesn't know, or may not say. */
    val latest: Place?
}

/** What the receiver last told the track's service. By the phone's clock, since the receiver's own may differ from it. */
class PhonePositions(private val clock: () -> Instant) : Positions {
    @Volatile
    private var heard: Pair<Instant, Place>? = null

    override val latest get() = heard?.takeIf { (at, _) -> Duration.between(at, clock()).abs() < FRESH }?.second

    fun hear(fix: Fix) {
        heard = clock() to Place(fix.lat, fix.lon, fix.radius68M)
    }

    private companion object {
        /** Who walks on is somewhere else after that. Assumed. */
        val FRESH: Duration = Duration.ofMinutes(2)
    }
}
