package org.rakelight.field

import org.junit.Assert.assertEquals
import org.junit.Assert.assertFalse
import org.junit.Assert.assertTrue
import org.junit.Test
import org.rakelight.core.ShellException
import org.robolectric.RuntimeEnvironment
import org.robolectric.annotation.Config

class ProblemsTest : OnThePhone() {
    @Test
    @Config(qualifiers = "en")
    fun whatTheWorkerCanDoSomethingAboutHasWordsOfItsOwn() = check()

    @Test
    @Config(qualifiers = "de")
    fun inGermanToo() = check()

    private fun check() {
        val context = RuntimeEnvironment.getApplication()
        val problems = listOf(
            ShellException.BadPhoto("x"), ShellException.NoScale("x"), ShellException.BadMarks("x"), ShellException.Busy("x"),
            ShellException.Storage("x"), ShellException.KeyLost("x"), ShellException.Unreachable("x"), ShellException.OtherBase("x"),
            ShellException.OtherVersion("x"), ShellException.Stopped(), ShellException.Internal("x"),
        )
        val words = problems.map(context::problem)
        assertEquals(problems.size, words.map { it.first }.toSet().size)
        assertEquals(problems.size, words.map { it.second }.toSet().size)
        val (_, refused) = context.problem(ShellException.Refused("the device is barred"))
        assertTrue(refused, refused.contains("the device is barred"))
        (words.flatMap { it.toList() } + refused).forEach { assertFalse(it, it.contains('%') || it.isBlank()) }
    }
}
