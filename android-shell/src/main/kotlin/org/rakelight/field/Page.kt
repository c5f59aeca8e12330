package org.rakelight.field

import android.app.Activity
import android.graphics.Bitmap
import android.text.Editable
import android.text.InputType
import android.text.TextWatcher
import android.view.LayoutInflater
import android.view.View
import android.view.ViewGroup
import android.view.ViewGroup.LayoutParams.MATCH_PARENT
import android.view.ViewGroup.LayoutParams.WRAP_CONTENT
import android.widget.Button
import android.widget.CheckBox
import android.widget.CompoundButton
import android.widget.EditText
import android.widget.FrameLayout
import android.widget.ImageView
import android.widget.LinearLayout
import android.widget.RadioButton
import android.widget.ScrollView
import android.widget.TextView

/**
 * A button: its text, whether it is a quiet one or a large one that is found without looking, its icon, what a screen reader says
 * where that is more than the text, what it does.
 */
class Press(
    val text: String, val quiet: Boolean = false, val icon: Int = 0, val large: Boolean = false, val said: String? = null, val act: () -> Unit,
)

/** What a screen is made of, in the words of the trade's forms: it is written anew from top to bottom whenever something has changed. */
class Page(private val screen: Activity, private val leftHanded: Boolean) {
    val root: View = LayoutInflater.from(screen).inflate(R.layout.page, null)
    private val above: FrameLayout = part(R.id.above)
    private val scroll: ScrollView = part(R.id.scroll)
    private val words: LinearLayout = part(R.id.words)
    private val row: ButtonRow = part<ButtonRow>(R.id.buttons).apply { leftHanded = this@Page.leftHanded }

    private fun <T : View> part(id: Int): T = checkNotNull(root.findViewById(id))

    private var looked: View? = null

    /** What is typed into fields. */
    enum class Typing(val type: Int) {
        WORDS(InputType.TYPE_CLASS_TEXT or InputType.TYPE_TEXT_FLAG_CAP_SENTENCES or InputType.TYPE_TEXT_FLAG_MULTI_LINE),
        NAME(InputType.TYPE_CLASS_TEXT or InputType.TYPE_TEXT_FLAG_CAP_WORDS),
        NUMBER(InputType.TYPE_CLASS_NUMBER or InputType.TYPE_NUMBER_FLAG_DECIMAL),
        TIME(InputType.TYPE_CLASS_DATETIME or InputType.TYPE_DATETIME_VARIATION_TIME),
    }

    /** Writes the page anew; the place that was scrolled to stays. */
    fun write(content: Page.() -> Unit) {
        val at = scroll.scrollY
        words.removeAllViews()
        looked = null
        buttons()
        content()
        showLooked()
        scroll.visibility = if (words.childCount == 0) View.GONE else View.VISIBLE
        scroll.post { scroll.scrollTo(0, at) }
    }

    /** To the page's beginning. */
    fun toTop() = scroll.post { scroll.scrollTo(0, 0) }

    /** What is looked at, above the words; kept where it is the same: a camera's preview stops when it is taken off the screen. */
    fun look(view: View?) {
        looked = view
    }

    private fun showLooked() {
        val view = looked
        if (view == null || view.parent !== above) {
            above.removeAllViews()
            view?.let { above.addView(it, MATCH_PARENT, MATCH_PARENT) }
        }
        above.visibility = if (view == null) View.GONE else View.VISIBLE
    }

    fun prompt(text: CharSequence) = say(R.style.Say_Prompt, text).apply { accessibilityLiveRegion = View.ACCESSIBILITY_LIVE_REGION_POLITE }

    fun head(text: CharSequence) = say(R.style.Say_Head, text).apply { isAccessibilityHeading(this) }

    fun say(text: CharSequence) = say(R.style.Say, text)

    fun second(text: CharSequence) = say(R.style.Say_Second, text)

    /** A number first, large. */
    fun measure(text: CharSequence) = say(R.style.Say_Measure, text)

    /** Tide and danger, nothing else. */
    fun alarm(text: CharSequence) = say(R.style.Say_Alarm, text).apply { accessibilityLiveRegion = View.ACCESSIBILITY_LIVE_REGION_ASSERTIVE }

    fun add(view: View, height: Int = WRAP_CONTENT) = words.addView(view, LinearLayout.LayoutParams(MATCH_PARENT, height))

    /** A picture as wide as the page. */
    fun picture(bitmap: Bitmap, label: String) = add(ImageView(screen).apply {
        setImageBitmap(bitmap)
        adjustViewBounds = true
        contentDescription = label
    })

    /** A line of a list that leads somewhere. */
    fun line(text: CharSequence, below: CharSequence? = null, icon: Int = 0, act: () -> Unit) {
        val line = Button(screen, null, 0, R.style.Press_Line)
        line.text = if (below.isNullOrEmpty()) text else twoLines(text, below)
        line.icon(icon)
        line.setOnClickListener { act() }
        add(line)
        line.below(8)
    }

    private fun twoLines(text: CharSequence, below: CharSequence) = android.text.SpannableStringBuilder(text).apply {
        append("\n")
        append(below, android.text.style.RelativeSizeSpan(0.85f), android.text.Spanned.SPAN_EXCLUSIVE_EXCLUSIVE)
    }

    fun field(label: String, text: String, kind: Typing, changed: (String) -> Unit): EditText {
        val name = second(label).apply { id = View.generateViewId() }
        name.below(12)
        val field = EditText(screen, null, 0, R.style.Type).apply {
            inputType = kind.type
            setText(text)
            contentDescription = label
            isSaveEnabled = false
            addTextChangedListener(object : TextWatcher {
                override fun beforeTextChanged(text: CharSequence, start: Int, count: Int, after: Int) = Unit
                override fun onTextChanged(text: CharSequence, start: Int, before: Int, count: Int) = Unit
                override fun afterTextChanged(text: Editable) = changed(text.toString())
            })
        }
        field.id = View.generateViewId()
        name.labelFor = field.id
        add(field)
        return field
    }

    /** One of several, or any of them where there may be [many]. A chosen one bears a tick. */
    fun choose(label: String, choices: List<Pair<String, String>>, chosen: Set<String?>, many: Boolean = false, press: (String) -> Unit) {
        head(label)
        val boxes = choices.map { (id, text) ->
            val box: CompoundButton = if (many) CheckBox(screen, null, 0, R.style.Choose) else RadioButton(screen, null, 0, R.style.Choose)
            box.apply {
                this.text = text
                isChecked = id in chosen
                icon(if (isChecked) R.drawable.ic_tick else 0)
                isSaveEnabled = false
                setOnClickListener { press(id) }
            }
        }
        add(ButtonRow(screen, null).apply { put(boxes) })
    }

    /** What is pressed in the thumb's reach. */
    fun buttons(vararg presses: Press?) = row.show(presses.filterNotNull())

    /** Buttons among the words. */
    fun presses(vararg presses: Press?) = add(ButtonRow(screen, null).apply {
        leftHanded = this@Page.leftHanded
        show(presses.filterNotNull())
    })

    private fun say(style: Int, text: CharSequence) = TextView(screen, null, 0, style).apply { this.text = text }.also { add(it) }

    private fun isAccessibilityHeading(view: View) {
        if (android.os.Build.VERSION.SDK_INT >= 28) view.isAccessibilityHeading = true
    }

    private fun View.below(dp: Int) {
        (layoutParams as ViewGroup.MarginLayoutParams).topMargin = (dp * resources.displayMetrics.density).toInt()
    }
}
