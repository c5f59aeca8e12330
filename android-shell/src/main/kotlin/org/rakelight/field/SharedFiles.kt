package org.rakelight.field

import android.content.ContentProvider
import android.content.ContentValues
import android.content.Context
import android.database.Cursor
import android.database.MatrixCursor
import android.net.Uri
import android.os.ParcelFileDescriptor
import android.provider.OpenableColumns
import java.io.File
import java.io.FileNotFoundException

/** Gives a file that the worker shares to the app that they chose, read-only, and nothing else. */
class SharedFiles : ContentProvider() {
    override fun onCreate() = true

    override fun openFile(uri: Uri, mode: String): ParcelFileDescriptor {
        if (mode != "r") throw FileNotFoundException("files can only be read")
        return ParcelFileDescriptor.open(file(uri), ParcelFileDescriptor.MODE_READ_ONLY)
    }

    override fun query(uri: Uri, columns: Array<String>?, selection: String?, values: Array<String>?, order: String?): Cursor {
        val file = file(uri)
        val known = mapOf<String, Any>(OpenableColumns.DISPLAY_NAME to file.name, OpenableColumns.SIZE to file.length())
        val asked = (columns ?: known.keys.toTypedArray()).filter { it in known }
        return MatrixCursor(asked.toTypedArray()).apply { addRow(asked.map(known::get)) }
    }

    override fun getType(uri: Uri) = when (file(uri).extension) {
        "html" -> "text/html"
        else -> "application/octet-stream"
    }

    /** Only a file that lies right in the shared folder. */
    private fun file(uri: Uri): File {
        val name = uri.pathSegments.singleOrNull() ?: throw FileNotFoundException("$uri is no shared file")
        val folder = folder(checkNotNull(context))
        val file = File(folder, name)
        if (file.canonicalFile.parentFile != folder.canonicalFile || !file.isFile) throw FileNotFoundException("$uri is no shared file")
        return file
    }

    override fun insert(uri: Uri, values: ContentValues?) = null

    override fun update(uri: Uri, values: ContentValues?, selection: String?, arguments: Array<String>?) = 0

    override fun delete(uri: Uri, selection: String?, arguments: Array<String>?) = 0

    companion object {
        const val AUTHORITY = "org.rakelight.field.shared"

        fun folder(context: Context) = File(context.cacheDir, "shared").apply { mkdirs() }

        fun uri(file: File): Uri = Uri.Builder().scheme("content").authority(AUTHORITY).appendPath(file.name).build()
    }
}
