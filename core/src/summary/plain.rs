//! What people typed, as one line that can't break the page.

/// A text as one line of at most so many characters: without line breaks and without the marks that turn the direction of what follows.
pub(crate) fn line(text: &str, most: usize) -> String {
    let kept: String = text.chars().map(|c| if c.is_whitespace() { ' ' } else { c }).filter(|c| !breaks(*c)).collect();
    let one_line = kept.split_whitespace().collect::<Vec<_>>().join(" ");
    match one_line.char_indices().nth(most) {
        Some((end, _)) => format!("{}…", one_line[..end].trim_end()),
        None => one_line,
    }
}

/// Some names in a row, at most so many; of more the number that is left.
pub(crate) fn names<S: AsRef<str>>(list: &[S], most: usize) -> String {
    let shown = list.iter().take(most).map(|name| line(name.as_ref(), 40));
    let rest = list.len().saturating_sub(most);
    shown.chain((rest > 0).then(|| format!("+ {rest}"))).collect::<Vec<_>>().join(", ")
}

/// Control characters, and Unicode's embeddings, overrides, isolates and marks of direction (UAX #9).
fn breaks(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200E}' | '\u{200F}' | '\u{061C}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{FEFF}')
}

/// For text and attributes of an SVG.
pub(crate) fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;").replace('\'', "&#39;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_text_ends_with_dots_and_turned_ones_run_forwards() {
        assert_eq!(line("weir", 4), "weir");
        assert_eq!(line("the old weir", 7), "the old…");
        assert_eq!(line("a\u{202E}b\nc\u{0007}  d", 20), "ab c d");
        assert_eq!(line(&"🦦".repeat(10_000), 80).chars().count(), 81);
    }

    #[test]
    fn of_many_names_the_first_are_named_and_the_rest_counted() {
        assert_eq!(names(&["Ada", "Bo"], 3), "Ada, Bo");
        assert_eq!(names(&["Ada", "Bo", "Cy", "Di"], 2), "Ada, Bo, + 2");
    }
}
