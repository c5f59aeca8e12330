package org.rakelight.field

import org.junit.Assert.assertEquals
import org.junit.Assert.assertThrows
import org.junit.Test
import org.robolectric.RuntimeEnvironment

class CoreAccessTest : OnThePhone() {
    private val core get() = (RuntimeEnvironment.getApplication() as FieldApp).core

    @Test
    fun theCoreRefusesToWorkOnTheScreensThread() {
        assertThrows(IllegalStateException::class.java) { core.workspace() }
    }

    @Test
    fun whatIsAskedIsDoneOneAfterTheOtherOnOneThread() {
        val threads = (1..3).map { asked { Thread.currentThread().name } }
        assertEquals(listOf("core", "core", "core"), threads)
    }
}
