package org.rakelight.field

import java.io.File
import java.nio.file.Files
import org.junit.Assert.assertEquals
import org.junit.Assert.assertNotNull
import org.junit.Assert.assertNull
import org.junit.Assert.assertThrows
import org.junit.Assert.assertTrue
import org.junit.Test
import org.rakelight.core.Arrangement
import org.rakelight.core.Consent
import org.rakelight.core.Content
import org.rakelight.core.Dropping
import org.rakelight.core.Feature
import org.rakelight.core.Foot
import org.rakelight.core.Form
import org.rakelight.core.Grade
import org.rakelight.core.Mark
import org.rakelight.core.Marks
import org.rakelight.core.MeasureName
import org.rakelight.core.Moment
import org.rakelight.core.NamedPrint
import org.rakelight.core.Pattern
import org.rakelight.core.Point
import org.rakelight.core.PrintSeen
import org.rakelight.core.Remains
import org.rakelight.core.ScaleBy
import org.rakelight.core.Seen
import org.rakelight.core.Setting
import org.rakelight.core.ShellException
import org.rakelight.core.Side
import org.rakelight.core.SignForm
import org.rakelight.core.SignKind
import org.rakelight.core.Smell
import org.rakelight.core.TrailFit
import org.rakelight.core.TrailMark
import org.rakelight.core.TrailMarks
import org.rakelight.core.TrailPicture
import org.rakelight.core.TrailPictures
import org.rakelight.core.Travel
import org.rakelight.core.Vegetation
import org.rakelight.core.VisitHead
import org.rakelight.core.Workspace

/** The whole job through the bindings, on the JVM, with the real library and a real store. */
class CoreTest : OnThePhone() {
    private val start = Moment(1_790_000_000_000, 120)
    private val folder = Files.createTempDirectory("rakelight").toFile()

    private val card = ScaleBy.Card(null)
    private val print = PrintSeen(null, Foot.UNKNOWN, 5, null, Feature.NOT_LOOKED, Feature.NOT_LOOKED, Feature.NOT_LOOKED, Arrangement.NOT_LOOKED)

    private fun form(id: String, kind: SignKind, seen: Seen) = SignForm(id, kind, time = start, seen = seen)

    private fun head() = VisitHead("try the phone", listOf("lutra_lutra"), null, null, start, listOf("A. Walker"), "Invented brook", null, Consent.NONE, "All of it is invented")

    @Test
    fun fromAPhotographToTheSummary() = Workspace.open(File(folder, "store").path, "en").use { core ->
        val visit = core.openVisit(head(), start)
        val photo = core.addPhoto(visit, Demo.otter.path, start)
        assertEquals(photo.sha256, core.addPhoto(visit, Demo.otter.path, start).sha256)
        val scale = core.findScale(photo.sha256, card)
        assertTrue(scale.pxPerMm > 1)
        val points = Demo.points(Demo.otter).map { (name, at) -> Mark(name, at) }
        val reading = core.measure(visit, photo.sha256, card, Marks("h1", Foot.HIND, Side.UNKNOWN, points, 1.5), start)
        assertNotNull(reading.width)
        val along = listOf(0.0, 9.5, 17.5, 26.5)
        val prints = (0 until 5).flatMap { group -> along.mapIndexed { i, cm -> TrailMark(71.0 * group + cm, 5.5 - 3.7 * i, Foot.UNKNOWN, Side.UNKNOWN) } }
        val trail = core.readTrail(visit, TrailMarks("t1", prints, 1.0), start)
        assertEquals(Pattern.GROUP_OF_FOUR, trail.patterns.first().pattern)
        assertEquals(5, trail.groups.size)
        assertTrue(trail.svg.startsWith("<svg"))
        assertNull(core.writePng(trail.svg, File(folder, "trail.png").path, 720))
        val stride = trail.sections.single().measures.first { it.name == MeasureName.STRIDE_MM }
        assertEquals(710.0, stride.value, 3 * stride.u)
        assertEquals((0 until 20).map { it / 4 }, trail.prints.map { it.group })
        assertTrue(trail.compared.any { it.maker == "lutra_lutra" && it.fit == TrailFit.WITHIN })
        val answer = core.noteSign(visit, form("s1", SignKind.PRINT, Seen(substrate = "soft_mud", prints = listOf(print.copy(sha256 = photo.sha256)), trail = "t1")), start)!!
        assertEquals("lutra_lutra", answer.candidates.first().maker)
        core.closeVisit(visit, Moment(start.utcMs + 3_600_000, 120), start)
        val page = File(folder, "summary.html")
        core.makeSummary(visit, page.path)
        assertTrue(page.readText().contains("Invented brook"))
        assertEquals(listOf("s1"), core.findings(visit).first { it.maker == "lutra_lutra" }.signs)
        assertEquals(listOf(visit), core.visits())
    }

    @Test
    fun aCheckedSpraintOnItsStoneNeedsNoPhotograph() = Workspace.open(File(folder, "store").path, "en").use { core ->
        val visit = core.openVisit(head(), start)
        val spraint = Dropping(listOf(Content.FISH_SCALES, Content.FISH_BONES, Content.AMPHIBIAN), Form.SHAPELESS, smell = Smell.SWEET_FISHY, prominentSpot = true, vegetation = Vegetation.BROWNED)
        fun found(sign: String, dropping: Dropping) =
            core.noteSign(visit, form(sign, SignKind.DROPPING, Seen(droppings = listOf(dropping), setting = Setting(distanceToWaterM = 1.0))), start)!!
        val unchecked = found("d1", spraint)
        assertEquals("lutra_lutra", unchecked.candidates.first().maker)
        assertTrue(unchecked.grade < Grade.RECORDED)
        assertEquals(Grade.RECORDED, found("d2", spraint.copy(checked = true)).grade)
        assertEquals(setOf("d1", "d2"), core.findings(visit).first { it.maker == "lutra_lutra" }.signs.toSet())
    }

    @Test
    fun theRegionsListAndTheMealsRemainsWeigh() = Workspace.open(File(folder, "store").path, "en").use { core ->
        val visit = core.openVisit(head(), start)
        fun beaver(sign: String) = core.noteSign(visit, form(sign, SignKind.FEEDING_REMAINS, Seen(feedingRemains = listOf(Remains.GNAWED_WOOD))), start)!!
            .candidates.first { it.maker == "castor_fiber" }.probability
        val anywhere = beaver("f1")
        core.setRegion("name = 'Nowhere'\nsource = 'invented'\nabsent = ['castor_fiber']")
        val contradiction = form("p", SignKind.PRINT, Seen(prints = listOf(print.copy(toesSeen = 3, whichToes = listOf(2, 3, 4, 5)))))
        assertThrows(ShellException.BadInput::class.java) { core.noteSign(visit, contradiction, start) }
        assertThrows(ShellException.BadInput::class.java) { core.setRegion("name = 'Nowhere'\nsource = ''\nabsent = ['unicorn']") }
        assertTrue(beaver("f2") < anywhere / 2)
    }

    @Test
    fun aTrailInAPhotographIsMeasuredByItsCard() = Workspace.open(File(folder, "store").path, "en").use { core ->
        val visit = core.openVisit(head(), start)
        val photo = core.addPhoto(visit, Demo.otter.path, start)
        val pxPerMm = core.findScale(photo.sha256, card).pxPerMm
        fun at(step: Int) = Point(100.0 + 300 * step, if (step % 2 == 0) 830.0 else 970.0)
        val prints = (0 until 8).map { NamedPrint("p$it", at(it), Foot.UNKNOWN, Side.UNKNOWN) }
        val pictures = TrailPictures("t2", listOf(TrailPicture(photo.sha256, null, prints)), 2.0, Travel.FORWARDS, hipHeightMm = 400.0)
        val trail = core.readTrailInPhotos(visit, pictures, start)
        assertEquals(Pattern.WALK, trail.patterns.first().pattern)
        assertEquals(600 / pxPerMm, trail.stride!!.mm, 6.0)
        assertNotNull(trail.speed)
        val nowhere = pictures.copy(pictures = listOf(TrailPicture("0".repeat(64), null, prints)))
        assertThrows(ShellException.BadInput::class.java) { core.readTrailInPhotos(visit, nowhere, start) }
        assertEquals(8, trail.prints.size)
    }

    @Test
    fun errorsComeByWhatIsToBeDone() {
        Workspace.open(File(folder, "store").path, "en").use { core ->
            val visit = core.openVisit(head(), start)
            val letter = File(folder, "letter.jpg").apply { writeText("a letter") }
            assertThrows(ShellException.BadPhoto::class.java) { core.addPhoto(visit, letter.path, start) }
            assertThrows(ShellException.NotFound::class.java) { core.addPhoto("0".repeat(32), letter.path, start) }
            assertThrows(ShellException.BadInput::class.java) { core.readTrail(visit, TrailMarks("t", emptyList(), 1.0), start) }
            assertThrows(ShellException.BadInput::class.java) { core.closeVisit(visit, Moment(0, 0), start) }
        }
        val nowhere = File(folder, "a-file").apply { writeText("") }
        assertThrows(ShellException::class.java) { Workspace.open(File(nowhere, "store").path, "en") }
    }
}
