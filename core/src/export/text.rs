//! Text on its way out: nothing in it that a program would take for something else.

use std::borrow::Cow;

/// One line: control characters become blanks, and those that turn the direction of writing (Unicode UAX #9) are left out, since they make one thing read
/// as another. Letters that are written from right to left stay.
pub(super) fn clean(text: &str) -> Cow<'_, str> {
    if text.bytes().all(|byte| (b' '..0x7f).contains(&byte)) {
        return Cow::Borrowed(text.trim());
    }
    let turns =
        |c: char| matches!(c, '\u{061c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let blank = |c: char| c.is_control() || matches!(c, '\u{2028}' | '\u{2029}' | '\u{feff}' | '\u{fffe}' | '\u{ffff}');
    let cleaned: String = text.chars().filter(|c| !turns(*c)).map(|c| if blank(c) { ' ' } else { c }).collect();
    Cow::Owned(cleaned.trim().to_owned())
}

/// A cell of a table: cleaned, and with an apostrophe before it where a spreadsheet would take it for a formula (OWASP, CSV Injection). Numbers stay.
pub(super) fn cell(text: &str) -> Cow<'_, str> {
    let cleaned = clean(text);
    let starts_a_formula = cleaned.starts_with(['=', '+', '-', '@', '＝', '＋', '－', '＠']);
    if starts_a_formula && !cleaned.parse::<f64>().is_ok_and(f64::is_finite) {
        return Cow::Owned(format!("'{cleaned}"));
    }
    cleaned
}

/// As text of an XML element or attribute; characters that XML 1.0 hasn't are gone with [`clean`].
pub(super) fn xml(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len() + 16);
    for c in clean(text).chars() {
        match c {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&apos;"),
            c => escaped.push(c),
        }
    }
    escaped
}

/// Whether there is a number in it with three decimals or more, as coordinates have them (0.001° is the finest grid that sensitive records leave on).
pub(super) fn has_coordinate(text: &str) -> bool {
    let characters: Vec<char> = text.chars().collect();
    let digits = |window: &[char]| window.iter().all(|c| c.is_numeric());
    characters.windows(5).any(|w| w[0].is_numeric() && matches!(w[1], '.' | ',' | '·' | '٫') && digits(&w[2..]))
        // Degrees, minutes and seconds, and grid references run on for six digits and more.
        || characters.windows(6).any(digits)
        || text.contains('°')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_spreadsheet_would_run_gets_an_apostrophe_and_a_number_does_not() {
        for formula in ["=1+1", "+cmd|'/c calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r\n=1", "＝1+1", "-inf", "+nan"] {
            assert!(cell(formula).starts_with('\''), "{formula:?}");
        }
        for number in ["-2.67", "+5", "0", "51.6", "-1e3"] {
            assert_eq!(cell(number), number);
        }
    }

    #[test]
    fn a_text_is_one_line_that_reads_in_its_own_direction() {
        assert_eq!(clean("a\nb\u{0}c\u{85}d"), "a b c d");
        assert_eq!(clean("gpj.\u{202e}exe"), "gpj.exe");
        assert_eq!(clean("וידרה 🦦"), "וידרה 🦦");
        assert_eq!(
            xml("<script>alert('x')</script> & \u{1}"),
            "&lt;script&gt;alert(&apos;x&apos;)&lt;/script&gt; &amp;"
        );
    }

    #[test]
    fn coordinates_in_a_text_are_seen() {
        for text in ["at 51.56037, -2.66512", "51,560 N", "ST 538847", "51°33'N", "30UWC2322212155"] {
            assert!(has_coordinate(text), "{text}");
        }
        for text in ["60.1 mm across", "3 droppings, 12 prints", "at 9.20 on the 14th"] {
            assert!(!has_coordinate(text), "{text}");
        }
    }
}
