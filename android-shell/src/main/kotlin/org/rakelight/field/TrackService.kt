package org.rakelight.field

import android.app.Service
import android.content.Intent

class TrackService : Service() {
    override fun onBind(intent: Intent) = null
}
