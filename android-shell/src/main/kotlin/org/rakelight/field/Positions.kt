package org.rakelight.field

import org.rakelight.core.Place

/** Where the phone is. Behind an interface, so that tests walk a recorded way. */
interface Positions {
    /** The latest known place; null where the phone doesn't know, or may not say. */
    val latest: Place?
}
