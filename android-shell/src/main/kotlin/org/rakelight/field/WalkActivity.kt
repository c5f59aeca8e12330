package org.rakelight.field

class WalkActivity : FieldScreen() {
    override fun begin() = redraw()

    override fun Page.content() = Unit
}
