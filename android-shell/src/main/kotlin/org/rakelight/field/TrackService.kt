package org.rakelight.field

import android.app.Notification
import android.app.NotificationChannel
import android.app.NotificationManager
import android.app.PendingIntent
import android.app.Service
import android.content.Context
import android.content.Intent
import android.content.pm.ServiceInfo
import android.os.Build
import org.rakelight.core.Fix
import org.rakelight.core.FixKept

/** Records the track of the visit that is under way, also while the screen is off. Started anew after the app was killed, it goes on with that visit. */
class TrackService : Service() {
    private val app get() = application as FieldApp
    private var visit: String? = null

    /** Where, and since when. */
    private var title: String? = null

    override fun attachBaseContext(base: Context) = super.attachBaseContext(Language.wrap(base))

    override fun onBind(intent: Intent) = null

    override fun onStartCommand(intent: Intent?, flags: Int, startId: Int): Int {
        if (intent?.action == PAUSE) app.settings.trackPaused = true
        val under = app.settings.visit.takeIf { !app.settings.trackPaused && app.receiver.state != Receiver.State.REFUSED }
        when {
            under != null && begin(under) -> return START_STICKY
            app.settings.visit != null && !app.settings.trackPaused -> tell(R.string.track_stopped, R.string.track_stopped_why)
        }
        stopSelf()
        return START_NOT_STICKY
    }

    /** Whether the system lets it: from the background it may not, nor where the permission was taken away meanwhile. */
    private fun begin(visit: String): Boolean = try {
        if (Build.VERSION.SDK_INT >= 29) startForeground(NOTICE, notice(), ServiceInfo.FOREGROUND_SERVICE_TYPE_LOCATION) else startForeground(NOTICE, notice())
        if (this.visit != visit) {
            this.visit = visit
            app.receiver.start(::add)
            app.core.run({ it.visitLine(visit) }) { line ->
                if (this.visit == visit) line.onSuccess {
                    title = getString(R.string.walk_title, it.place, time(it.start))
                    notifications.notify(NOTICE, notice())
                }
            }
        }
        true
    } catch (_: SecurityException) {
        false
    } catch (_: IllegalStateException) {
        false
    }

    private fun add(fix: Fix) {
        val visit = visit ?: return
        app.phone.hear(fix)
        app.turnBack.check()
        app.core.run({ workspace ->
            if (workspace.addFix(visit, fix) == FixKept.OUT_OF_ORDER) {
                // The clock was set back: what came before is closed, and the track goes on.
                workspace.endTrack(visit)
                workspace.addFix(visit, fix)
            }
        }) { result -> if (result.isFailure) tell(R.string.track_stopped, R.string.track_not_written) }
    }

    override fun onDestroy() {
        app.receiver.stop()
        visit?.let { visit -> app.core.run({ it.endTrack(visit) }) {} }
        visit = null
        super.onDestroy()
    }

    private val notifications get() = checkNotNull(getSystemService(NotificationManager::class.java))

    private fun tell(what: Int, why: Int) = notifications.notify(TROUBLE, plain(getString(what)).setContentText(getString(why)).build())

    private fun notice() = plain(getString(R.string.walk_recording))
        .setContentText(title)
        .setOngoing(true)
        .addAction(Notification.Action.Builder(null, getString(R.string.walk_pause), pausing()).build())
        .build()

    private fun pausing() = PendingIntent.getService(this, 0, Intent(this, TrackService::class.java).setAction(PAUSE), PendingIntent.FLAG_IMMUTABLE)

    private fun plain(title: String): Notification.Builder {
        notifications.createNotificationChannel(NotificationChannel(CHANNEL, getString(R.string.track_channel), NotificationManager.IMPORTANCE_LOW))
        // As from the launcher: the app comes back as it was left.
        val app = Intent(this, DayActivity::class.java).setAction(Intent.ACTION_MAIN).addCategory(Intent.CATEGORY_LAUNCHER).addFlags(Intent.FLAG_ACTIVITY_NEW_TASK)
        val back = PendingIntent.getActivity(this, 0, app, PendingIntent.FLAG_IMMUTABLE)
        return Notification.Builder(this, CHANNEL).setSmallIcon(R.drawable.ic_walk).setContentTitle(title).setContentIntent(back).setShowWhen(false)
    }

    companion object {
        private const val CHANNEL = "track"
        private const val NOTICE = 1
        private const val TROUBLE = 2
        const val PAUSE = "pause"

        /** Begins or goes on, where there is a visit and the phone may say where it is. */
        fun start(app: FieldApp) {
            if (app.settings.visit == null || app.settings.trackPaused || app.receiver.state == Receiver.State.REFUSED) return
            app.startForegroundService(Intent(app, TrackService::class.java))
        }

        fun pause(app: FieldApp) {
            app.settings.trackPaused = true
            app.stopService(Intent(app, TrackService::class.java))
        }

        fun resume(app: FieldApp) {
            app.settings.trackPaused = false
            start(app)
        }
    }
}
