package org.rakelight.field

import org.json.JSONObject

/** What was typed or chosen on a screen and isn't finished yet, answer by answer; kept in the store until it is. */
data class Draft(private val answers: Map<String, String> = emptyMap()) {
    operator fun get(key: String): String? = answers[key]

    /** Without the answer where [value] is null. */
    fun with(key: String, value: String?): Draft = Draft(if (value == null) answers - key else answers + (key to value))

    fun list(key: String): List<String> = this[key]?.split('\n').orEmpty()

    fun with(key: String, values: List<String>): Draft = with(key, values.joinToString("\n").ifEmpty { null })

    val isEmpty get() = answers.isEmpty()

    override fun toString() = JSONObject(answers).toString()

    companion object {
        fun of(text: String?): Draft {
            val json = JSONObject(text ?: return Draft())
            return Draft(json.keys().asSequence().associateWith(json::getString))
        }
    }
}
