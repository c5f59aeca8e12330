package org.rakelight.field

import android.content.Context
import android.view.View
import android.widget.Button
import android.widget.GridLayout

/** Digits as large as a thumb with a cold hand needs them. */
class NumberPad(context: Context, decimalSign: String, private val pressed: (Key) -> Unit) : GridLayout(context) {
    /** What a key does to what is typed so far. */
    sealed interface Key {
        data class Digit(val text: String) : Key
        data object Point : Key
        data object Delete : Key
        data object Sign : Key
    }

    init {
        columnCount = 4
        (1..9).forEach { n -> key("$n", "$n", Key.Digit("$n"), (n - 1) % 3, (n - 1) / 3) }
        key("0", "0", Key.Digit("0"), 1, 3)
        key("⌫", context.getString(R.string.key_delete), Key.Delete, 3, 0)
        key("±", context.getString(R.string.key_sign), Key.Sign, 3, 1)
        key(decimalSign, decimalSign, Key.Point, 3, 2)
    }

    private fun key(text: String, label: String, key: Key, column: Int, row: Int) {
        val button = Button(context, null, 0, R.style.Press_Key)
        button.text = text
        button.contentDescription = label
        button.setOnClickListener { pressed(key) }
        val place = LayoutParams(spec(row, 1f), spec(column, 1f)).apply { width = 0 }
        addView(button as View, place)
    }

    companion object {
        /** What is typed so far, after one more key. */
        fun after(text: String, key: Key, decimalSign: String): String = when (key) {
            is Key.Digit -> if (text.length < 7) text + key.text else text
            Key.Point -> if (decimalSign in text) text else text.ifEmpty { "0" } + decimalSign
            Key.Delete -> text.dropLast(1)
            Key.Sign -> if (text.startsWith("-")) text.drop(1) else "-$text"
        }
    }
}
