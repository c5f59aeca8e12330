package org.rakelight.field

import android.app.Application

/** Holds what lives as long as the app: the way to the core. */
class FieldApp : Application() {
    val core by lazy { CoreAccess(this) }
}
