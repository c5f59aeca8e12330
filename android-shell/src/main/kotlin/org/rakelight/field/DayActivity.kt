package org.rakelight.field

class DayActivity : FieldScreen() {
    override fun begin() = redraw()

    override fun Page.content() = Unit
}
