package org.rakelight.field

class CameraActivity : FieldScreen() {
    override fun begin() = redraw()

    override fun Page.content() = Unit
}
