package org.rakelight.field

import org.junit.runner.RunWith
import org.robolectric.RobolectricTestRunner
import org.robolectric.annotation.Config
import org.robolectric.annotation.GraphicsMode

/**
 * A test that runs in the app as Android would run it. All tests that call the core do: the core calls back into the class loader that loaded its Kotlin last,
 * and a second one in the same process (a plain test, or one that is set up otherwise) would crash it. On a phone there is only one.
 */
@RunWith(RobolectricTestRunner::class)
@GraphicsMode(GraphicsMode.Mode.NATIVE)
@Config(sdk = [35], qualifiers = "en-w360dp-h720dp-xhdpi")
abstract class OnThePhone
