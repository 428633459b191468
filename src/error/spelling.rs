//! What a misspelt name was meant to be.

/// The spelling among `known` that is closest to `given`, when it is close enough to be meant.
#[must_use]
pub fn nearest_spelling<'a>(
    given: &str,
    known: impl IntoIterator<Item = &'a str>,
) -> Option<&'a str> {
    let close = |name: &&str| 1 + name.chars().count() / 3;
    // No distance is smaller than the difference in length, and words may be megabytes long.
    let similar_length = |name: &&str| {
        let longest = name.chars().count() + close(name);
        given.chars().take(longest + 1).count() <= longest
    };
    known
        .into_iter()
        .filter(similar_length)
        .map(|name| (edit_distance(given, name), name))
        .min()
        .filter(|(distance, name)| *distance <= close(name))
        .map(|(_, name)| name)
}

/// Levenshtein distance in characters, case ignored (V. I. Levenshtein, 1966).
fn edit_distance(left: &str, right: &str) -> usize {
    let left: Vec<char> = left.to_lowercase().chars().collect();
    let right: Vec<char> = right.to_lowercase().chars().collect();
    let mut row: Vec<usize> = (0..=right.len()).collect();
    for (i, a) in left.iter().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, b) in right.iter().enumerate() {
            let substituted = diagonal + usize::from(a != b);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(row[j] + 1).min(row[j + 1] + 1);
        }
    }
    row[right.len()]
}
