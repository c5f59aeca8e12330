import java.io.FileInputStream;
import java.util.TreeSet;
import org.verapdf.gf.foundry.VeraGreenfieldFoundryProvider;
import org.verapdf.pdfa.Foundries;
import org.verapdf.pdfa.flavours.PDFAFlavour;
import org.verapdf.pdfa.results.TestAssertion;

/** Says of each file whether it holds to PDF/UA-1, and by which rules it doesn't. */
public class Check {
    public static void main(String[] files) throws Exception {
        java.util.logging.LogManager.getLogManager().reset();
        VeraGreenfieldFoundryProvider.initialise();
        for (String file : files) {
            try (var parser = Foundries.defaultInstance().createParser(new FileInputStream(file), PDFAFlavour.PDFUA_1);
                    var validator = Foundries.defaultInstance().createValidator(PDFAFlavour.PDFUA_1, false)) {
                var result = validator.validate(parser);
                System.out.println((result.isCompliant() ? "compliant " : "not compliant ") + file);
                var broken = new TreeSet<String>();
                for (TestAssertion assertion : result.getTestAssertions()) {
                    if (assertion.getStatus() == TestAssertion.Status.FAILED) {
                        broken.add("  " + assertion.getRuleId().getClause() + "-" + assertion.getRuleId().getTestNumber() + " " + assertion.getMessage());
                    }
                }
                broken.forEach(System.out::println);
            }
        }
    }
}
