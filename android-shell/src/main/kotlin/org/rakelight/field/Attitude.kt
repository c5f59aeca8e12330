package org.rakelight.field

import android.app.Activity
import android.hardware.Sensor
import android.hardware.SensorEvent
import android.hardware.SensorEventListener
import android.hardware.SensorManager
import kotlin.math.abs
import kotlin.math.acos
import kotlin.math.atan2
import kotlin.math.sqrt

/**
 * How the phone is held: the direction of up along the screen's own axes (to its right, to its top, out of its front; any length), and where the top
 * of a phone that looks down, or the camera of one that looks ahead, points: degrees from true north, eastward; null where the compass doesn't know.
 */
data class Pose(val right: Double, val top: Double, val front: Double, val headingDeg: Double?) {
    private val length = sqrt(right * right + top * top + front * front)

    /** How far from straight down the camera looks, degrees. */
    val tiltDeg = Math.toDegrees(acos((front / length).coerceIn(-1.0, 1.0)))

    /** Where up lies on the screen, as a part of its whole length: a bubble rises there. */
    val bubble get() = right / length to top / length

    /** How far the phone is turned clockwise from how its screen reads, in steps of 90°; while it looks down it isn't. */
    val turnedDeg get() = when {
        tiltDeg < 45 || tiltDeg > 135 -> 0
        abs(top) >= abs(right) -> if (top >= 0) 0 else 180
        // Its right side is up: it was turned against the clock.
        else -> if (right >= 0) 270 else 90
    }
}

/** Tells how the phone is held. Behind an interface, so that tests play recorded poses. */
interface Attitude {
    fun start(onPose: (Pose) -> Unit)

    fun stop()
}

/** The phone's own sensors. [declinationDeg] is how far magnetic north lies east of true north here; null where that isn't known. */
class PhoneAttitude(private val screen: Activity, private val declinationDeg: () -> Double?) : Attitude, SensorEventListener {
    private val sensors = screen.getSystemService(SensorManager::class.java)
    private var onPose: (Pose) -> Unit = {}
    private var up: FloatArray? = null
    private var magneticDeg: Double? = null

    override fun start(onPose: (Pose) -> Unit) {
        this.onPose = onPose
        listen(Sensor.TYPE_GRAVITY, Sensor.TYPE_ACCELEROMETER)
        listen(Sensor.TYPE_ROTATION_VECTOR, Sensor.TYPE_GEOMAGNETIC_ROTATION_VECTOR)
    }

    /** To the first of these kinds that the phone has. */
    private fun listen(vararg kinds: Int) {
        val sensors = sensors ?: return
        val sensor = kinds.toList().firstNotNullOfOrNull(sensors::getDefaultSensor) ?: return
        sensors.registerListener(this, sensor, SensorManager.SENSOR_DELAY_UI)
    }

    override fun stop() {
        sensors?.unregisterListener(this)
        up = null
        magneticDeg = null
    }

    override fun onSensorChanged(event: SensorEvent) {
        val quarter = screen.turnedDeg() / 90
        if (event.sensor.type == Sensor.TYPE_GRAVITY || event.sensor.type == Sensor.TYPE_ACCELEROMETER) up = event.values.clone() else {
            val known = event.accuracy != SensorManager.SENSOR_STATUS_UNRELIABLE && event.accuracy != SensorManager.SENSOR_STATUS_NO_CONTACT
            magneticDeg = if (known) headingDeg(event.values, quarter) else null
        }
        val up = up ?: return
        val (right, top) = onScreen(up[0].toDouble(), up[1].toDouble(), quarter)
        val heading = magneticDeg?.let { magnetic -> declinationDeg()?.let { (magnetic + it).mod(360.0) } }
        if (right != 0.0 || top != 0.0 || up[2] != 0f) onPose(Pose(right, top, up[2].toDouble(), heading))
    }

    override fun onAccuracyChanged(sensor: Sensor, accuracy: Int) = Unit

    companion object {
        /** From the phone's axes to those of a screen that is turned by quarters. */
        private fun onScreen(x: Double, y: Double, quarter: Int) = when (quarter) {
            1 -> -y to x
            2 -> -x to -y
            3 -> y to -x
            else -> x to y
        }

        /** The azimuth of the direction halfway between the screen's top and where the camera looks: it is level while the phone goes from lying to upright. */
        fun headingDeg(rotationVector: FloatArray, quarter: Int = 0): Double {
            val turn = FloatArray(9).also { SensorManager.getRotationMatrixFromVector(it, rotationVector) }
            // Columns: the phone's axes; rows: east, north, up.
            fun along(row: Int) = onScreen(turn[3 * row].toDouble(), turn[3 * row + 1].toDouble(), quarter).second - turn[3 * row + 2]
            return Math.toDegrees(atan2(along(0), along(1))).mod(360.0)
        }
    }
}
