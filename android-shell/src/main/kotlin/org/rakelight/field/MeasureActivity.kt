package org.rakelight.field

import android.content.Intent
import android.graphics.Bitmap
import android.graphics.BitmapFactory
import android.net.Uri
import android.provider.OpenableColumns
import android.widget.ImageView
import java.io.File
import org.rakelight.core.PhotoAdded
import org.rakelight.core.Point
import org.rakelight.core.PrintReading
import org.rakelight.core.Scale
import org.rakelight.core.ShellException
import org.rakelight.core.SignKind
import org.rakelight.field.Signs.begun
import org.rakelight.field.Signs.withPhoto

/** A print measured in its photograph: the scale, the marks, what they give. */
class MeasureActivity : FieldScreen() {
    private val visit by lazy { checkNotNull(intent.getStringExtra(VISIT)) }
    private val sign by lazy { intent.getStringExtra(SIGN) ?: Signs.newId(SignKind.PRINT, core.now()).also { intent.putExtra(SIGN, it) } }
    override val draftName get() = Signs.draftName(visit, sign)

    private val picture by lazy {
        PictureView(this, null).apply {
            onMark = ::touched
            onMoved = ::moved
        }
    }
    private val reliefView by lazy { ImageView(this).apply { contentDescription = getString(R.string.relief_label) } }
    private var photo: PhotoAdded? = null
    private var scale: Scale? = null
    private var reading: PrintReading? = null
    private var relief: Bitmap? = null

    /** What the draft was before each of the latest steps. */
    private val before = ArrayDeque<Draft>()

    val measured get() = reading

    private val checkLineMm get() = settings.checkLineMm?.toDecimal()
    private val scaleBy get() = draft.scaleBy(checkLineMm)

    override fun begin() {
        val sha256 = intent.getStringExtra(PHOTO)?.also { intent.removeExtra(PHOTO) } ?: draft["measured"]
        when {
            sha256 == null -> redraw()
            draft["measured"] != sha256 -> change { it.begun(core.now(), app.positions.latest).measuredIn(sha256) }
            else -> show(sha256)
        }
    }

    override fun answered() {
        val sha256 = draft["measured"]
        if (sha256 != null && photo?.sha256 != sha256) show(sha256) else follow()
    }

    /** The photograph is seen while its scale is looked for. */
    private fun show(sha256: String) = work({ workspace ->
        val photo = workspace.photo(sha256)
        photo to Pictures.upright(photo.path)
    }, R.string.busy_photo) { (photo, bitmap) ->
        this.photo = photo
        picture.show(bitmap, photo.widthPx)
        scale = null
        relief = null
        follow()
    }

    /** After every step: looks for what isn't known yet, and lets the measures follow the marks. */
    private fun follow() {
        val sha256 = photo?.sha256 ?: return redraw()
        val by = scaleBy ?: return redraw()
        if (scale == null) return work({ it.findScale(sha256, by) }, R.string.busy_photo) { scale = it; follow() }
        val marks = draft.toMarks()
        if (draft["proposed"] != null || marks.points.size < 2) {
            reading = null
            return redraw()
        }
        redraw()
        work({ it.wouldMeasure(sha256, by, marks) }) { reading = it; redraw() }
    }

    // What the worker does

    private fun step(change: (Draft) -> Draft) {
        before.addLast(draft)
        if (before.size > MOST_STEPS) before.removeFirst()
        change(change = change)
    }

    private fun undo() {
        val last = before.removeLastOrNull()
        val lastMark = draft.marked().lastOrNull()?.first
        reading = null
        if (last != null && last.scaleThing != draft.scaleThing) scale = null
        change { last ?: if (lastMark != null) it.with(lastMark, null).with("no_heel", null) else it.with("middle", null) }
    }

    private fun touched(at: Point, uPx: Double) {
        val next = draft.nextLandmark
        when {
            draft.scalePoints.size < draft.scaleThing.points -> step { it.with("scale_points", it.list("scale_points") + text(at)) }
            scale == null -> Unit
            draft.middle == null -> propose(at, uPx)
            next != null -> step { it.with(next, at).with("u_px", "$uPx") }
        }
    }

    /** The core proposes landmarks around the middle, where toes are seen there. */
    private fun propose(middle: Point, uPx: Double) {
        val (sha256, by) = checkNotNull(photo).sha256 to checkNotNull(scaleBy)
        val reachPx = NEAR_MM / 2 * checkNotNull(scale).pxPerMm
        work({ it.proposeMarks(sha256, by, middle, reachPx) }, R.string.busy_pads) { marks ->
            step { draft ->
                val known = marks.mapNotNull { mark -> Landmark.entries.find { it.key == mark.name }?.to(mark.at) }
                val proposed = known.fold(draft) { all, (landmark, at) -> all.with(landmark, at) }
                proposed.with("middle", text(middle)).with("u_px", "$uPx").with("proposed", if (known.isEmpty()) null else "1")
            }
        }
    }

    private fun moved(index: Int, to: Point, uPx: Double) {
        val (landmark, _) = draft.marked()[index]
        step { it.with(landmark, to).with("u_px", "$uPx") }
    }

    private fun clearMarks(draft: Draft) = Landmark.entries.fold(draft) { all, landmark -> all.with(landmark, null) }.with("proposed", null)

    /** The print is measured in this one from now on. */
    private fun Draft.measuredIn(sha256: String) = clearMarks(this).withPhoto(sha256)
        .with("measured", sha256).with("middle", null).with("scale_points", null as String?).with("no_heel", null)

    private fun takeOther() = startActivity(cameraScreen(visit, sign))

    private fun choose() = choosePhoto(CHOSEN)

    @Deprecated("The framework's own; there is no other without AndroidX.")
    override fun onActivityResult(request: Int, result: Int, data: Intent?) {
        val uri = data?.data
        if (request != CHOSEN || result != RESULT_OK || uri == null) return
        work({ workspace ->
            val copy = copyOf(uri)
            try {
                workspace.addPhoto(visit, copy.path, core.now())
            } finally {
                copy.delete()
            }
        }, R.string.busy_photo) { added -> change { it.begun(core.now(), app.positions.latest).measuredIn(added.sha256) } }
    }

    /** A photograph that was just taken for this sign. */
    override fun onNewIntent(intent: Intent) {
        super.onNewIntent(intent)
        intent.getStringExtra(PHOTO)?.let { sha256 -> change { it.measuredIn(sha256) } }
    }

    private fun toMaker() {
        val sha256 = checkNotNull(draft["measured"])
        val by = checkNotNull(scaleBy)
        val marks = draft.toMarks()
        work({ it.measure(visit, sha256, by, marks, core.now()) }, R.string.busy_write) { goOn() }
    }

    private fun goOn() {
        redraw()
        startActivity(Intent(this, MakerActivity::class.java).putExtra(VISIT, visit).putExtra(SIGN, sign))
    }

    private fun toggleRelief() {
        if (relief != null) {
            relief = null
            return redraw()
        }
        val sha256 = checkNotNull(photo).sha256
        val file = File(cacheDir, "relief.png")
        work({ workspace ->
            workspace.lookAtGround(sha256, null, file.path)
            BitmapFactory.decodeFile(file.path)
        }, R.string.busy_relief) { relief = it; redraw() }
    }

    // What the worker sees

    override fun Page.content() {
        val photo = photo
        val relief = relief
        if (photo == null) return start()
        picture.marking = relief == null && scaleBy == null || scale != null && draft["proposed"] == null && draft.nextLandmark != null
        picture.draw(near(), scale?.outline.orEmpty(), draft.marked().map { it.second } + draft.scalePoints.takeIf { scale == null }.orEmpty(), lines(), bar())
        if (relief != null) {
            reliefView.setImageBitmap(relief)
            look(reliefView)
        } else look(picture)
        when {
            relief != null -> {
                second(getString(R.string.relief_label))
                buttons(Press(getString(R.string.relief_off), act = ::toggleRelief))
            }
            scale == null -> askScale()
            draft.middle == null -> {
                prompt(getString(R.string.mark_middle))
                second(getString(R.string.mark_middle_hint))
                warnings()
                buttons(otherScale(), reliefPress(), undoPress())
            }
            draft["proposed"] != null -> {
                prompt(getString(R.string.proposed))
                second(getString(R.string.proposed_hint))
                buttons(
                    Press(getString(R.string.they_are_right)) { step { it.with("proposed", null) } },
                    Press(getString(R.string.mark_myself), quiet = true) { step(::clearMarks) },
                )
            }
            else -> marks()
        }
    }

    private fun Page.start() {
        prompt(getString(R.string.start_prompt))
        second(getString(R.string.start_hint))
        add(ImageView(this@MeasureActivity).apply {
            setImageResource(R.drawable.how_to_lay)
            contentDescription = getString(R.string.start_hint)
            adjustViewBounds = true
        })
        buttons(
            Press(getString(R.string.take_photo), icon = R.drawable.ic_photo, act = ::takeOther),
            Press(getString(R.string.choose), quiet = true, act = ::choose),
        )
    }

    private fun Page.askScale() {
        val touched = draft.scalePoints.size
        val thing = draft.scaleThing
        when {
            thing == ScaleThing.RULER && touched == 0 -> prompt(getString(R.string.ruler_from))
            thing == ScaleThing.RULER && touched == 1 -> prompt(getString(R.string.ruler_to))
            thing == ScaleThing.RULER -> typed("ruler_mm", R.string.ruler_length, Page.Typing.NUMBER)
            else -> prompt(getString(R.string.sheet_corner, touched + 1))
        }
        buttons(
            Press(getString(R.string.done)) { hideKeyboard(); follow() }.takeIf { thing == ScaleThing.RULER && touched == 2 },
            undoPress(), otherScale(),
        )
    }

    private fun Page.marks() {
        val reading = reading
        reading?.width?.let { measure(largeMeasure(it, getString(R.string.width))) }
        reading?.lengthWithoutHeel?.let { measure(largeMeasure(it, getString(R.string.length))) }
        reading?.lengthWithHeel?.let { measure(largeMeasure(it, getString(R.string.length_with_heel))) }
        val next = draft.nextLandmark
        if (next != null) {
            prompt(getString(next.prompt))
            second(getString(R.string.mark_hint, next.ordinal + 1, Landmark.entries.size))
            return buttons(
                undoPress(),
                Press(getString(R.string.no_heel)) { step { it.with("no_heel", "1") } }.takeIf { next == Landmark.HEEL_REAR },
            )
        }
        second(getString(R.string.drag_hint))
        warnings()
        buttons(Press(getString(R.string.who_made_it), icon = R.drawable.ic_print, act = ::toMaker).takeIf { reading != null }, undoPress(), reliefPress())
    }

    private fun Page.warnings() = scale?.warnings.orEmpty().forEach { second("· $it") }

    override fun Page.troubled(problem: Throwable) {
        tell(problem)
        look(picture.takeIf { photo != null })
        when (problem) {
            is ShellException.NoScale -> {
                choose(getString(R.string.scale_by), ScaleThing.entries.filter { it != draft.scaleThing }.map { it.name to getString(it.word) }, emptySet()) { pressed ->
                    scale = null
                    solvedWith { it.with("scale", pressed).with("scale_points", null as String?) }
                }
                buttons(
                    Press(getString(R.string.take_photo), icon = R.drawable.ic_photo) { solved(); takeOther() },
                    Press(getString(R.string.choose), quiet = true) { solved(); choose() },
                    Press(getString(R.string.only_photo), quiet = true) { solvedWith { clearMarks(it).with("scale", null) }; goOn() },
                )
            }
            is ShellException.BadMarks -> buttons(Press(getString(R.string.undo), icon = R.drawable.ic_undo) { solved(); undo() })
            is ShellException.BadPhoto -> buttons(
                Press(getString(R.string.take_photo), icon = R.drawable.ic_photo) { solved(); takeOther() },
                Press(getString(R.string.choose), quiet = true) { solved(); choose() },
            )
            else -> buttons(Press(getString(R.string.back_to_it)) { solved() })
        }
    }

    private fun solvedWith(change: (Draft) -> Draft) {
        solved()
        step(change)
    }

    private fun otherScale() = Press(getString(R.string.other_scale), quiet = true) {
        scale = null
        step { it.with("scale", ScaleThing.entries[(it.scaleThing.ordinal + 1) % ScaleThing.entries.size].name).with("scale_points", null as String?) }
    }

    private fun undoPress() = Press(getString(R.string.undo), quiet = true, icon = R.drawable.ic_undo, act = ::undo)
        .takeIf { before.isNotEmpty() || draft.middle != null }

    private fun reliefPress() = Press(getString(R.string.relief), quiet = true, icon = R.drawable.ic_relief, act = ::toggleRelief)
        .takeIf { draft.scaleThing == ScaleThing.CARD }

    private fun lines(): List<PictureView.MeasuredLine> {
        val reading = reading ?: return emptyList()
        fun line(from: Landmark, to: Landmark, length: org.rakelight.core.Length?) =
            length?.let { PictureView.MeasuredLine(draft.mark(from) ?: return null, draft.mark(to) ?: return null, measure(it)) }
        return listOfNotNull(
            line(Landmark.WIDEST_LEFT, Landmark.WIDEST_RIGHT, reading.width),
            line(Landmark.TOE_TIP, Landmark.PAD_REAR, reading.lengthWithoutHeel),
        )
    }

    private fun near() = draft.middle?.let { middle -> scale?.let { PictureView.Near(middle, NEAR_MM / 2 * it.pxPerMm) } }

    private fun bar() = scale?.let { PictureView.ScaleBar(BAR_MM * it.pxPerMm, getString(R.string.bar, "$BAR_MM")) }

    /** The chosen document as a file of its own name, which the core can read. */
    private fun copyOf(uri: Uri): File {
        val folder = File(cacheDir, "chosen").apply { mkdirs() }
        val copy = File(folder, File(nameOf(uri) ?: "photograph.jpg").name)
        return copy.also { copyChosen(uri, it) }
    }

    private fun nameOf(uri: Uri): String? {
        val columns = arrayOf(OpenableColumns.DISPLAY_NAME)
        val named = contentResolver.query(uri, columns, null, null, null)?.use { if (it.moveToFirst()) it.getString(0) else null }
        return named ?: uri.lastPathSegment
    }

    private companion object {
        const val CHOSEN = 1
        const val BAR_MM = 20
        const val MOST_STEPS = 50

        /** Side of what is shown around a print; the largest foot here, a heron's, just goes in. */
        const val NEAR_MM = 170.0
    }
}
