package org.rakelight.field

import java.io.File
import javax.xml.parsers.DocumentBuilderFactory
import org.junit.Assert.assertEquals
import org.junit.Assert.assertTrue
import org.junit.Test
import org.w3c.dom.Element

/** The app's words: the same in every language, none in the code. */
class StringsTest {
    private val languages = listOf("values", "values-de", "values-fr", "values-es", "values-pl")

    /** Every text by its name; of a plural each form. */
    private fun texts(folder: String): Map<String, List<String>> = File("res/$folder").listFiles { file -> file.name.startsWith("strings") }!!.flatMap { file ->
        val resources = DocumentBuilderFactory.newInstance().newDocumentBuilder().parse(file).documentElement
        (0 until resources.childNodes.length).map(resources.childNodes::item).filterIsInstance<Element>().map { element ->
            val items = element.getElementsByTagName("item")
            val forms = (0 until items.length).map { items.item(it).textContent }
            element.getAttribute("name") to forms.ifEmpty { listOf(element.textContent) }
        }
    }.toMap()

    private val values = Regex("%(\\d)\\$[sd]")

    @Test
    fun everyTextIsThereInEveryLanguageWithTheSameValues() {
        val english = texts("values")
        assertTrue(english.size > 150)
        languages.drop(1).forEach { language ->
            val texts = texts(language)
            assertEquals(language, english.keys.sorted(), texts.keys.sorted())
            texts.forEach { (name, forms) ->
                forms.forEach { assertTrue("$language $name is empty", it.isNotBlank()) }
                val expected = values.findAll(english.getValue(name).last()).map { it.value }.toSet()
                forms.forEach { assertEquals("$language $name", expected, values.findAll(it).map { found -> found.value }.toSet()) }
            }
        }
    }

    @Test
    fun aPolishPluralHasTheFormsThatPolishCountsBy() {
        val english = texts("values")
        texts("values-pl").filter { english.getValue(it.key).size > 1 }.forEach { (name, forms) -> assertEquals(name, 4, forms.size) }
    }

    @Test
    fun noTextStandsInTheCode() {
        val spoken = Regex("\"[A-ZÄÖÜ][a-zäöü]+ [a-zäöü ]+\"")
        File("src/main/kotlin").walk().filter { it.extension == "kt" }.forEach { file ->
            file.readLines().filterNot { it.contains("Exception(") || it.contains("check(") || it.contains("@Deprecated") || it.contains("@Suppress") }
                .forEach { line -> assertTrue("${file.name}: $line", spoken.find(line) == null) }
        }
    }
}
