package org.rakelight.field

class ScanActivity : FieldScreen() {
    override fun begin() = redraw()

    override fun Page.content() = Unit
}
