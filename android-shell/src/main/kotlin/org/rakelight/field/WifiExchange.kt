package org.rakelight.field

import android.app.job.JobInfo
import android.app.job.JobParameters
import android.app.job.JobScheduler
import android.app.job.JobService
import android.content.ComponentName
import org.rakelight.core.ExchangeProgress
import org.rakelight.core.ExchangeStep

/** Exchanges with the base by itself, where there is a network that costs nothing and the worker asked for it. */
class WifiExchange : JobService() {
    @Volatile
    private var goingOn = true

    override fun onStartJob(job: JobParameters): Boolean {
        val app = application as FieldApp
        val progress = object : ExchangeProgress {
            override fun at(step: ExchangeStep, done: Long) = goingOn
        }
        app.core.runLong({ workspace ->
            workspace.bases().firstOrNull()?.let { workspace.exchange(it.address, PinnedHttps.connections, progress, app.settings.photographsIn) }
        }) { result -> jobFinished(job, result.isFailure && goingOn) }
        return true
    }

    /** The network is gone, or something needs it more: what was exchanged is kept, and the rest follows next time. */
    override fun onStopJob(job: JobParameters): Boolean {
        goingOn = false
        return true
    }

    companion object {
        private const val JOB = 1
        private const val EVERY_MS = 60 * 60 * 1000L

        /** As the settings have it now. */
        fun plan(app: FieldApp) {
            val jobs = checkNotNull(app.getSystemService(JobScheduler::class.java))
            if (!app.settings.exchangesAlone) return jobs.cancel(JOB)
            jobs.schedule(
                JobInfo.Builder(JOB, ComponentName(app, WifiExchange::class.java))
                    .setRequiredNetworkType(JobInfo.NETWORK_TYPE_UNMETERED)
                    .setRequiresBatteryNotLow(true)
                    .setPeriodic(EVERY_MS)
                    .setPersisted(true)
                    .build(),
            )
        }
    }
}
