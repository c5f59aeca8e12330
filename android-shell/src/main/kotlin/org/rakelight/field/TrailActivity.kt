package org.rakelight.field

import android.content.Intent
import android.graphics.Bitmap
import android.graphics.BitmapFactory
import java.io.File
import java.text.DecimalFormatSymbols
import org.rakelight.core.Foot
import org.rakelight.core.NamedPrint
import org.rakelight.core.PhotoAdded
import org.rakelight.core.Point
import org.rakelight.core.Side
import org.rakelight.core.TrailAnswer
import org.rakelight.core.TrailMark
import org.rakelight.core.TrailMarks
import org.rakelight.core.TrailPicture
import org.rakelight.core.TrailPictures
import org.rakelight.core.Travel
import org.rakelight.field.Signs.begun
import org.rakelight.field.Signs.toForm
import org.rakelight.field.Signs.withPhoto

/** A trail: its prints along a tape, typed on a pad made for it, or marked in photographs; what they say of the gait. */
class TrailActivity : FieldScreen() {
    private val visit by lazy { checkNotNull(intent.getStringExtra(VISIT)) }
    private val sign by lazy { checkNotNull(intent.getStringExtra(SIGN)) }
    override val draftName get() = Signs.draftName(visit, sign)

    private val decimalSign get() = DecimalFormatSymbols.getInstance(resources.configuration.locales[0]).decimalSeparator.toString()

    var trail: TrailAnswer? = null
        private set
    private var drawing: Bitmap? = null
    private var photo: PhotoAdded? = null
    private val picture by lazy { PictureView(this, null).apply { onMark = ::touched; marking = true } }

    /** A print as it stands in the draft: `along,offset,side`, and in photographs `photo,x,y,number,side`. */
    private val prints get() = draft.list("prints").map { it.split(',') }

    override fun begin() = if (draft["time"] == null) change { it.begun(core.now(), app.positions.latest) } else answered()

    override fun onNewIntent(intent: Intent) {
        super.onNewIntent(intent)
        val sha256 = intent.getStringExtra(PHOTO) ?: return
        change { it.withPhoto(sha256).with("u_px", null) }
    }

    override fun answered() {
        val latest = draft.list("photos").lastOrNull().takeIf { draft["how"] == PHOTOS }
        if (latest == null || photo?.sha256 == latest) return redraw()
        work({ workspace ->
            val photo = workspace.photo(latest)
            photo to Pictures.upright(photo.path)
        }, R.string.busy_photo) { (photo, bitmap) ->
            this.photo = photo
            picture.show(bitmap, photo.widthPx)
            redraw()
        }
    }

    // Along a tape

    private fun key(key: NumberPad.Key) = answer("now", NumberPad.after(draft["now"].orEmpty(), key, decimalSign).ifEmpty { null })

    /** The value that is typed now stands; after both of them, the print does. */
    private fun next() {
        val value = draft["now"]?.toDecimal() ?: return
        val along = draft["along"]
        if (along == null) return change { it.with("along", "$value").with("now", null as String?) }
        change { it.with("prints", it.list("prints") + "$along,$value,${it["side"] ?: Side.UNKNOWN.name}").with("along", null).with("now", null as String?).with("side", otherSide(it["side"])) }
    }

    /** Prints mostly come left and right in turn. */
    private fun otherSide(side: String?) = when (side) {
        Side.LEFT.name -> Side.RIGHT.name
        Side.RIGHT.name -> Side.LEFT.name
        else -> side
    }

    private fun takeBack() = change {
        if (it["along"] != null || it["now"] != null) it.with("along", null).with("now", null as String?) else it.with("prints", it.list("prints").dropLast(1))
    }

    // In photographs

    private fun touched(at: Point, uPx: Double) {
        val sha256 = checkNotNull(photo).sha256
        val number = draft["number"] ?: "${(prints.maxOfOrNull { it[3].toInt() } ?: 0) + 1}"
        change { it.with("prints", it.list("prints") + "$sha256,${at.x},${at.y},$number,${it["side"] ?: Side.UNKNOWN.name}").with("number", null as String?).with("u_px", "$uPx") }
    }

    private fun photograph() = startActivity(cameraScreen(visit, sign))

    // Read

    private fun read() {
        val travel = draft["travel"]?.let(Travel::valueOf)
        val dragMark = draft["drag"]?.toBoolean()
        val file = File(cacheDir, "trail.png")
        val widthPx = resources.displayMetrics.widthPixels
        work({ workspace ->
            val answer = if (draft["how"] == PHOTOS) {
                val pictures = prints.groupBy { it[0] }.map { (sha256, of) ->
                    TrailPicture(sha256, null, of.map { (_, x, y, number, side) -> NamedPrint(number, Point(x.toDouble(), y.toDouble()), Foot.UNKNOWN, Side.valueOf(side)) })
                }
                workspace.readTrailInPhotos(visit, TrailPictures(sign, pictures, draft["u_px"]?.toDouble() ?: 2.0, travel, dragMark), core.now())
            } else {
                val marks = prints.map { (along, offset, side) -> TrailMark(along.toDouble(), offset.toDouble(), Foot.UNKNOWN, Side.valueOf(side)) }
                workspace.readTrail(visit, TrailMarks(sign, marks, TAPE_U_CM, travel, null, dragMark), core.now())
            }
            workspace.writePng(answer.svg, file.path, widthPx)
            answer to BitmapFactory.decodeFile(file.path)
        }, R.string.trail_busy) { (answer, drawing) ->
            trail = answer
            this.drawing = drawing
            redraw()
            page.toTop()
        }
    }

    private fun keep() {
        val form = draft.with("trail", sign).toForm(sign)
        work({ workspace ->
            workspace.noteSign(visit, form, core.now())
            finished(workspace)
        }, R.string.busy_write) { finish() }
    }

    override fun Page.content() {
        val trail = trail
        when {
            trail != null -> answer(trail)
            draft["how"] == null -> {
                prompt(getString(R.string.trail_how))
                second(getString(R.string.trail_hint))
                buttons(
                    Press(getString(R.string.trail_by_tape)) { answer("how", TAPE) },
                    Press(getString(R.string.trail_by_photos), icon = R.drawable.ic_photo) { answer("how", PHOTOS) },
                )
            }
            draft["how"] == PHOTOS -> photographs()
            else -> tape()
        }
    }

    private fun Page.tape() {
        val number = prints.size + 1
        val along = draft["along"]
        prompt(getString(if (along == null) R.string.trail_prompt else R.string.trail_offset_prompt, number))
        measure(getString(R.string.cm_value, draft["now"] ?: "–"))
        add(NumberPad(this@TrailActivity, decimalSign, ::key))
        sides()
        prints.withIndex().reversed().forEach { (i, print) ->
            second(getString(R.string.trail_line, i + 1, number(print[0].toDouble(), 1), number(print[1].toDouble(), 1)))
        }
        presses(
            Press(getString(R.string.trail_read), quiet = true, icon = R.drawable.ic_trail, act = ::read).takeIf { prints.size >= FEWEST && along == null },
            takeBackPress(),
        )
        if (prints.size >= FEWEST) asked()
        buttons(Press(getString(R.string.next_value), act = ::next))
    }

    private fun Page.photographs() {
        val here = photo
        if (here != null) {
            val touched = prints.filter { it[0] == here.sha256 }.map { Point(it[1].toDouble(), it[2].toDouble()).let { at -> PictureView.MeasuredLine(at, at, it[3]) } }
            picture.draw(null, emptyList(), touched.map { it.from }, touched, null)
            look(picture)
            prompt(getString(R.string.touch_prints))
        }
        second(getString(R.string.touch_prints_hint))
        val numbers = prints.map { it[3] }.distinct()
        if (here != null && numbers.isNotEmpty()) choose(
            getString(R.string.which_print),
            listOf("" to getString(R.string.print_new)) + numbers.map { it to getString(R.string.print_number, it) },
            setOf(draft["number"].orEmpty()),
        ) { answer("number", it.ifEmpty { null }) }
        if (here != null) sides()
        if (prints.size >= FEWEST) asked()
        buttons(
            Press(getString(if (here == null) R.string.take_photo else R.string.next_photo), icon = R.drawable.ic_photo, act = ::photograph),
            Press(getString(R.string.trail_read), quiet = true, icon = R.drawable.ic_trail, act = ::read).takeIf { prints.size >= FEWEST },
            takeBackPress(),
        )
    }

    private fun Page.sides() = one("side", R.string.side_label, listOf(Side.LEFT.name to getString(R.string.side_left), Side.RIGHT.name to getString(R.string.side_right)))

    private fun Page.asked() {
        one("travel", R.string.travel_label, listOf(Travel.FORWARDS.name to getString(R.string.travel_forwards), Travel.BACKWARDS.name to getString(R.string.travel_backwards)))
        yesNo("drag", R.string.ask_drag_mark)
    }

    private fun takeBackPress() = Press(getString(R.string.take_last_back), quiet = true, icon = R.drawable.ic_undo, act = ::takeBack)
        .takeIf { prints.isNotEmpty() || draft["along"] != null || draft["now"] != null }

    private fun Page.answer(trail: TrailAnswer) {
        prompt(getString(R.string.kind_trail))
        drawing?.let { picture(it, getString(R.string.trail_drawing)) }
        trail.patterns.filter { it.probability >= LEAST_SHARE }.forEach { say(getString(R.string.pattern_share, it.name, number(100 * it.probability))) }
        if (trail.noPattern > 0.5) say(getString(R.string.no_pattern))
        trail.sections.flatMap { it.measures }.forEach { say(it.text) }
        trail.warnings.forEach { second("· $it") }
        buttons(
            Press(getString(R.string.keep_sign), icon = R.drawable.ic_tick, act = ::keep),
            Press(getString(R.string.trail_more), quiet = true) { this@TrailActivity.trail = null; redraw() },
        )
    }

    private companion object {
        const val TAPE = "tape"
        const val PHOTOS = "photos"
        const val FEWEST = 3
        const val LEAST_SHARE = 0.05

        /** A print's edge read off a tape: the standard uncertainty, cm. Assumed. */
        const val TAPE_U_CM = 1.0
    }
}
