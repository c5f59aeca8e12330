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

/**
 * Gives a file that the worker shares to the app that they chose, read-only; and the phone's own camera the one file that it was asked to write its
 * photograph into. Nothing else.
 */
class SharedFiles : ContentProvider() {
    override fun onCreate() = true

    override fun openFile(uri: Uri, mode: String): ParcelFileDescriptor {
        val awaited = awaited(uri)
        if (mode != "r" && awaited == null) throw FileNotFoundException("files can only be read")
        return ParcelFileDescriptor.open(awaited ?: file(uri), ParcelFileDescriptor.parseMode(mode))
    }

    override fun query(uri: Uri, columns: Array<String>?, selection: String?, values: Array<String>?, order: String?): Cursor {
        val file = awaited(uri) ?: file(uri)
        val known = mapOf<String, Any>(OpenableColumns.DISPLAY_NAME to file.name, OpenableColumns.SIZE to file.length())
        val asked = (columns ?: known.keys.toTypedArray()).filter { it in known }
        return MatrixCursor(asked.toTypedArray()).apply { addRow(asked.map(known::get)) }
    }

    override fun getType(uri: Uri) = when ((awaited(uri) ?: file(uri)).extension) {
        "jpg" -> "image/jpeg"
        "html" -> "text/html"
        else -> "application/octet-stream"
    }

    /** The photograph that is awaited, while it is. */
    private fun awaited(uri: Uri): File? {
        val app = checkNotNull(context).applicationContext as FieldApp
        val (taken, path) = uri.pathSegments.takeIf { it.size == 2 } ?: return null
        return if (taken == TAKEN && path == app.settings.awaited) app.taken.file(path) else null
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
        private const val TAKEN = "taken"

        fun folder(context: Context) = File(context.cacheDir, "shared").apply { mkdirs() }

        /** Where an awaited photograph is to be written. */
        fun uriOfTaken(path: String): Uri = Uri.Builder().scheme("content").authority(AUTHORITY).appendPath(TAKEN).appendPath(path).build()

        fun uri(file: File): Uri = Uri.Builder().scheme("content").authority(AUTHORITY).appendPath(file.name).build()
    }
}
