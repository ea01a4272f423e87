//! Text from a study made safe to stand in HTML and SVG.
//!
//! Ids, notes and names of sites are written by others. Here they lose the power to be markup, to break XML, or to
//! turn the direction of the text around them.

use std::borrow::Cow;

/// Replaces characters that XML forbids, and those that reverse the direction of writing, by U+FFFD.
pub fn printable(text: &str) -> Cow<'_, str> {
    if text.chars().any(is_unprintable) {
        let replaced = text.chars().map(|c| if is_unprintable(c) { '\u{FFFD}' } else { c });
        Cow::Owned(replaced.collect())
    } else {
        Cow::Borrowed(text)
    }
}

/// `text` as it may stand in the content of an element or in a quoted attribute.
pub fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in printable(text).chars() {
        match c {
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '&' => safe.push_str("&amp;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            other => safe.push(other),
        }
    }
    safe
}

fn is_unprintable(c: char) -> bool {
    matches!(c, '\u{FFFE}' | '\u{FFFF}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
        || (c.is_control() && !matches!(c, '\n' | '\t'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn markup_loses_its_power() {
        assert_eq!(
            escaped("<b a=\"1\" c='2'>&"),
            "&lt;b a=&quot;1&quot; c=&#39;2&#39;&gt;&amp;"
        );
    }

    #[test]
    fn control_and_direction_characters_are_shown_as_unknown() {
        assert_eq!(escaped("a\u{0}b\u{202E}c\u{85}d\ne"), "a\u{FFFD}b\u{FFFD}c\u{FFFD}d\ne");
        assert!(matches!(printable("plain Ä µ"), Cow::Borrowed(_)));
    }
}
