//! The known name that is most like a mistyped one.

/// The candidate with the least edit distance to `found`, if that is no more than a third of its letters.
#[must_use]
pub fn nearest<'a>(found: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    /// No key is longer, and the distance takes quadratic time.
    const LONGEST: usize = 64;
    if found.len() > LONGEST {
        return None;
    }
    known
        .into_iter()
        .map(|name| (edit_distance(found, name), name))
        .filter(|&(distance, name)| distance <= name.chars().count().div_ceil(3))
        .min_by_key(|&(distance, _)| distance)
        .map(|(_, name)| name)
}

/// Fewest insertions, deletions, replacements and swaps of neighbours that turn one text into the other.
fn edit_distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut before_last = vec![0; b.len() + 1];
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let replaced = last[j - 1] + usize::from(a[i - 1] != b[j - 1]);
            row[j] = replaced.min(last[j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(before_last[j - 2] + 1);
            }
        }
        before_last = std::mem::replace(&mut last, row);
    }
    last[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_finger_finds_its_key() {
        let keys = ["floor_dbm", "ceiling_dbm", "step_db"];
        assert_eq!(nearest("flor_dbm", keys), Some("floor_dbm"));
        assert_eq!(nearest("celiing_dbm", keys), Some("ceiling_dbm"));
        assert_eq!(nearest("wholly_other", keys), None);
        assert_eq!(nearest("gain", ["name", "position_mm", "gain_db"]), Some("gain_db"));
        assert_eq!(nearest(&"x".repeat(100_000), keys), None);
    }

    #[test]
    fn distances_match_worked_ones() {
        for (a, b, distance) in [
            ("", "abc", 3),
            ("kitten", "sitting", 3),
            ("ab", "ba", 1),
            ("same", "same", 0),
        ] {
            assert_eq!(edit_distance(a, b), distance);
        }
    }
}
