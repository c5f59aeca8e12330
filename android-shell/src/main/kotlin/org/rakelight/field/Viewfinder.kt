package org.rakelight.field

import android.content.Context
import android.graphics.Canvas
import android.graphics.ColorFilter
import android.graphics.Paint
import android.graphics.PixelFormat
import android.graphics.drawable.Drawable
import android.view.Gravity
import android.view.HapticFeedbackConstants
import android.view.ViewGroup
import android.view.ViewGroup.LayoutParams.MATCH_PARENT
import android.view.ViewGroup.LayoutParams.WRAP_CONTENT
import android.widget.FrameLayout
import android.widget.LinearLayout
import android.widget.TextView
import kotlin.math.hypot
import kotlin.math.min
import kotlin.math.roundToInt
import org.rakelight.core.PreviewSeen
import org.rakelight.core.PreviewWord
import org.rakelight.core.SignKind
import org.rakelight.core.SunNow

/** What the camera sees, all of it, with nothing but the card and the sun drawn over it; above it in words what to do next. */
class Viewfinder(context: Context, source: CameraSource) : LinearLayout(context) {
    private val word = SteadyWords(context, R.style.Say_Prompt)
    private val bubble = Bubble(context)
    private val level = TextView(context, null, 0, R.style.Say).apply {
        gravity = Gravity.CENTER_VERTICAL
        compoundDrawablePadding = (8 * resources.displayMetrics.density).toInt()
        setCompoundDrawablesRelativeWithIntrinsicBounds(bubble, null, null, null)
        visibility = GONE
    }
    private val sun = SteadyWords(context, R.style.Say).apply { visibility = GONE }
    private val over = PreviewOverlay(context)
    private var good = false

    init {
        orientation = VERTICAL
        val dp = resources.displayMetrics.density
        val words = LinearLayout(context).apply {
            orientation = VERTICAL
            setPadding((16 * dp).toInt(), (8 * dp).toInt(), (16 * dp).toInt(), (8 * dp).toInt())
            listOf(word, level, sun).forEach { addView(it, MATCH_PARENT, WRAP_CONTENT) }
        }
        addView(words, MATCH_PARENT, WRAP_CONTENT)
        addView(Fitted(context, source).apply { addView(over) }, LayoutParams(MATCH_PARENT, 0, 1f))
    }

    /** Of a print or a trail: with the card, from straight above. */
    fun askForCard(nearlyFilling: Boolean) {
        word.offer(listOf(R.string.preview_looking to R.drawable.ic_word_none) + PreviewWord.entries.map { it.word to it.icon } + (R.string.preview_taking to R.drawable.ic_photo))
        word.show(R.string.preview_looking)
        over.targetPart = if (nearlyFilling) 0.86f else 0.3f
    }

    /** Of another sign. */
    fun name(kind: SignKind) {
        word.offer(listOf(kind.word to kind.icon, R.string.preview_taking to R.drawable.ic_photo))
        word.show(kind.word)
    }

    /** One thing to say and what else there is to it. */
    fun say(what: Int, icon: Int, then: Int) {
        word.offer(listOf(what to icon))
        word.show(what)
        level.visibility = VISIBLE
        level.setCompoundDrawables(null, null, null, null)
        level.setText(then)
    }

    fun taking() = word.show(R.string.preview_taking)

    fun seen(preview: Preview, seen: PreviewSeen) {
        word.show(seen.word.word)
        over.show(preview, seen.card)
        val isGood = seen.word == PreviewWord.GOOD
        if (isGood && !good) performHapticFeedback(HapticFeedbackConstants.KEYBOARD_TAP)
        good = isGood
    }

    fun posed(pose: Pose, sun: SunNow?) {
        level.visibility = VISIBLE
        val tilt = if (pose.tiltDeg <= LEVEL_DEG) context.getString(R.string.level) else context.getString(R.string.tilted, context.number(pose.tiltDeg))
        if (tilt != "${level.text}") level.text = tilt
        bubble.move(pose)
        val toSunDeg = pose.headingDeg?.let { heading -> sun?.let { (it.azimuthDeg - heading + 180).mod(360.0) - 180 } }
        this.sun.visibility = if (toSunDeg == null) GONE else VISIBLE
        over.sunDeg = toSunDeg?.takeIf { sun != null && sun.elevationDeg > 0 }
        if (toSunDeg != null && sun != null) saySun(toSunDeg, sun.elevationDeg)
    }

    /** Where to stand: with the print between the worker and the sun. By quarters of the horizon, for a phone's compass is seldom better. */
    private fun saySun(toSunDeg: Double, elevationDeg: Double) {
        val up = elevationDeg > 0
        sun.offer((if (up) BY_DAY else listOf(R.string.sun_down)).map { it to R.drawable.ic_sun })
        sun.show(when {
            !up -> R.string.sun_down
            toSunDeg in -45.0..45.0 -> R.string.sun_ahead
            toSunDeg in 45.0..135.0 -> R.string.sun_right
            toSunDeg in -135.0..-45.0 -> R.string.sun_left
            else -> R.string.sun_behind
        })
    }

    private val PreviewWord.word get() = when (this) {
        PreviewWord.NO_CARD -> R.string.preview_no_card
        PreviewWord.PART_OF_CARD -> R.string.preview_part
        PreviewWord.TOO_FAR -> R.string.preview_far
        PreviewWord.BLURRED -> R.string.preview_blurred
        PreviewWord.TOO_STEEP -> R.string.preview_steep
        PreviewWord.GOOD -> R.string.preview_good
    }

    private val PreviewWord.icon get() = when (this) {
        PreviewWord.NO_CARD -> R.drawable.ic_word_none
        PreviewWord.PART_OF_CARD -> R.drawable.ic_word_part
        PreviewWord.TOO_FAR -> R.drawable.ic_word_far
        PreviewWord.BLURRED -> R.drawable.ic_word_blurred
        PreviewWord.TOO_STEEP -> R.drawable.ic_word_steep
        PreviewWord.GOOD -> R.drawable.ic_tick
    }

    private companion object {
        /** Within this it is called level: lengths along the slope shrink by less than half a percent (1 - cos 5°). */
        const val LEVEL_DEG = 5.0
        val BY_DAY = listOf(R.string.sun_ahead, R.string.sun_right, R.string.sun_left, R.string.sun_behind)
    }
}

/** One of some texts, in the room of the longest, so that nothing below jumps when another is shown. */
private class SteadyWords(context: Context, private val style: Int) : FrameLayout(context) {
    private var offered: List<Pair<Int, Int>> = emptyList()
    private var shown = 0

    init {
        accessibilityLiveRegion = ACCESSIBILITY_LIVE_REGION_POLITE
    }

    /** Texts and their icons. */
    fun offer(texts: List<Pair<Int, Int>>) {
        if (offered == texts) return
        offered = texts
        removeAllViews()
        texts.forEach { (text, icon) ->
            addView(TextView(context, null, 0, style).apply {
                id = text
                setText(text)
                gravity = Gravity.CENTER_VERTICAL
                compoundDrawablePadding = (8 * resources.displayMetrics.density).toInt()
                setCompoundDrawablesRelativeWithIntrinsicBounds(icon, 0, 0, 0)
                compoundDrawableTintList = textColors
                visibility = if (text == shown) VISIBLE else INVISIBLE
            })
        }
    }

    fun show(text: Int) {
        shown = text
        (0 until childCount).map { getChildAt(it) as TextView }.forEach {
            it.visibility = if (it.id == text) VISIBLE else INVISIBLE
            if (it.id == text) contentDescription = it.text
        }
    }
}

/** As large as fits with the preview's shape, in the middle; what is over it has the same place. */
private class Fitted(context: Context, private val source: CameraSource) : ViewGroup(context) {
    init {
        (source.view.parent as? ViewGroup)?.removeView(source.view)
        addView(source.view)
    }

    override fun onMeasure(widthSpec: Int, heightSpec: Int) {
        val (width, height) = MeasureSpec.getSize(widthSpec) to MeasureSpec.getSize(heightSpec)
        val fittedWidth = min(width, (height * source.aspect).roundToInt())
        val fittedHeight = min(height, (fittedWidth / source.aspect).roundToInt())
        (0 until childCount).forEach {
            getChildAt(it).measure(MeasureSpec.makeMeasureSpec(fittedWidth, MeasureSpec.EXACTLY), MeasureSpec.makeMeasureSpec(fittedHeight, MeasureSpec.EXACTLY))
        }
        setMeasuredDimension(width, height)
    }

    override fun onLayout(changed: Boolean, left: Int, top: Int, right: Int, bottom: Int) = (0 until childCount).map(::getChildAt).forEach {
        val (x, y) = (right - left - it.measuredWidth) / 2 to (bottom - top - it.measuredHeight) / 2
        it.layout(x, y, x + it.measuredWidth, y + it.measuredHeight)
    }
}

/** A round spirit level: the bubble rises to the higher side, and sits in the ring while the camera looks straight down. */
private class Bubble(context: Context) : Drawable() {
    private val dp = context.resources.displayMetrics.density
    private val size = (40 * dp).toInt()
    private val ring = Paint(Paint.ANTI_ALIAS_FLAG).apply {
        color = context.getColor(R.color.text)
        style = Paint.Style.STROKE
        strokeWidth = 2 * dp
    }
    private val fill = Paint(Paint.ANTI_ALIAS_FLAG).apply { color = context.getColor(R.color.text) }
    private var at = 0.0 to 0.0

    fun move(pose: Pose) {
        at = pose.bubble
        invalidateSelf()
    }

    override fun draw(canvas: Canvas) {
        val (x, y) = bounds.exactCenterX() to bounds.exactCenterY()
        val (glass, bubble) = size / 2f - dp to 6 * dp
        canvas.drawCircle(x, y, glass, ring)
        canvas.drawCircle(x, y, bubble + 3 * dp, ring)
        // At the glass where the phone is tilted by 30° and more.
        val (right, top) = at
        val away = hypot(right, top)
        val reach = if (away == 0.0) 0.0 else min(away / 0.5, 1.0) / away * (glass - bubble)
        canvas.drawCircle(x + (right * reach).toFloat(), y - (top * reach).toFloat(), bubble, fill)
    }

    override fun getIntrinsicWidth() = size
    override fun getIntrinsicHeight() = size
    override fun setAlpha(alpha: Int) = Unit
    override fun setColorFilter(filter: ColorFilter?) = Unit

    @Deprecated("The framework still asks.")
    override fun getOpacity() = PixelFormat.TRANSLUCENT
}
