package org.rakelight.field

import android.content.Context
import android.net.Uri
import java.io.File
import java.time.Instant
import java.time.ZoneId
import java.time.format.DateTimeFormatter
import org.rakelight.core.Moment
import org.rakelight.core.Place
import org.rakelight.core.PhotoAdded
import org.rakelight.core.ShellException
import org.rakelight.core.SignKind
import org.rakelight.core.Workspace
import org.rakelight.field.Signs.begun
import org.rakelight.field.Signs.withPhoto

/** Photographs between the shutter and the store: files whose folders name the visit and the sign. A file leaves when the store has it. */
class Taken(context: Context) {
    private val folder = File(context.noBackupFilesDir, "taken")

    /** A name for the next photograph of a sign; nothing is there yet. */
    fun next(visit: String, sign: String, at: Moment): File {
        val folder = File(File(folder, Uri.encode(visit)), Uri.encode(sign)).apply { mkdirs() }
        val time = NAME.withZone(ZoneId.systemDefault()).format(Instant.ofEpochMilli(at.utcMs))
        return File(folder, "IMG_$time.jpg")
    }

    /** All that the store hasn't yet. An empty one still waits for its picture. */
    fun waiting(): List<File> = folder.walk().filter { it.isFile && it.length() > 0 }.toList()

    /** The path below the folder, which names a file to the phone's own camera; and back, for nothing that lies elsewhere. */
    fun path(file: File): String = file.relativeTo(folder).path

    fun file(path: String): File? = File(folder, path).takeIf { it.canonicalFile.startsWith(folder.canonicalFile) }

    /**
     * Into the store, and to the sign it was taken for, of which it may be the first that is noted. Null where the store has it already: it was found
     * when the app started anew.
     */
    fun add(workspace: Workspace, file: File, now: Moment, place: Place?): PhotoAdded? {
        if (!file.exists()) return null
        val (sign, visit) = file.parentFile!!.let { Uri.decode(it.name) to Uri.decode(it.parentFile!!.name) }
        val photo = workspace.addPhoto(visit, file.path, now)
        val name = Signs.draftName(visit, sign)
        workspace.keepDraft(name, Draft.of(workspace.draft(name)).begun(taken(file, now), place).withPhoto(sign, photo.sha256).toString())
        file.delete()
        return photo
    }

    /** What was left when the app ended: to its sign. What can't be read stays where it is. */
    fun addWaiting(workspace: Workspace, now: Moment) = waiting().forEach { file ->
        try {
            add(workspace, whole(file), now, place = null)
        } catch (_: ShellException) {
            // Still being written, cut off, or its visit can't be written to now: it is tried again at the next start.
        }
    }

    /** A photograph that was written but not yet named so, if it is whole: the core will see. */
    private fun whole(file: File) = if (file.extension != PART) file else file.resolveSibling(file.nameWithoutExtension).also(file::renameTo)

    private fun Draft.withPhoto(sign: String, sha256: String): Draft {
        val photos = withPhoto(sha256)
        return if (Signs.kindOf(sign) == SignKind.PRINT && this["measured"] == null) photos.with("measured", sha256) else photos
    }

    private fun taken(file: File, now: Moment) = Moment(file.lastModified(), now.offsetMinutes)

    companion object {
        /** What a photograph's name ends in until all of it is written. */
        const val PART = "part"

        private val NAME: DateTimeFormatter = DateTimeFormatter.ofPattern("yyyyMMdd_HHmmss_SSS")
    }
}
