package org.rakelight.field

import android.graphics.Bitmap
import android.graphics.BitmapFactory
import android.graphics.Matrix
import android.media.ExifInterface

/** Photographs for the screen; what is measured is always the file itself. */
object Pictures {
    /** Longer sides are halved until they are no longer than this, px. */
    private const val LONGEST = 2600

    /** The picture as it shows upright; null where the framework can't decode it. */
    fun upright(path: String): Bitmap? {
        val size = BitmapFactory.Options().apply { inJustDecodeBounds = true }
        BitmapFactory.decodeFile(path, size)
        var halved = 1
        while (maxOf(size.outWidth, size.outHeight) / halved > LONGEST) halved *= 2
        val bitmap = BitmapFactory.decodeFile(path, BitmapFactory.Options().apply { inSampleSize = halved }) ?: return null
        val turn = turn(ExifInterface(path).getAttributeInt(ExifInterface.TAG_ORIENTATION, 1))
        return if (turn.isIdentity) bitmap else Bitmap.createBitmap(bitmap, 0, 0, bitmap.width, bitmap.height, turn, true)
    }

    private fun turn(orientation: Int) = Matrix().apply {
        if (orientation in listOf(2, 4, 5, 7)) postScale(-1f, 1f)
        postRotate(when (orientation) { 3, 4 -> 180f; 5, 8 -> 270f; 6, 7 -> 90f; else -> 0f })
    }
}
