//! What a printed number becomes when it is mistyped by one slip.

/// Digits beyond these (leading ones first) are not mistyped on purpose of a diagnosis: nobody hears them.
const DIGITS_THAT_MATTER: usize = 4;

/// The numbers that one slip makes of `value` as a sheet prints it: one digit replaced, two neighbours swapped, one
/// digit left out or doubled, the point shifted by one place, the point left out. The sign stays; 0 and `value` itself are not among them. Rising, each once.
#[must_use]
pub fn slips(value: f64) -> Vec<f64> {
    let printed = format!("{}", value.abs());
    let sign = value.signum();
    let bytes: Vec<char> = printed.chars().collect();
    let mut texts: Vec<String> = Vec::new();
    let digits: Vec<usize> = (0..bytes.len())
        .filter(|i| bytes[*i].is_ascii_digit())
        .collect();
    let first = digits
        .iter()
        .position(|i| bytes[*i] != '0')
        .unwrap_or(digits.len());
    let matter = &digits[first.min(digits.len())..(first + DIGITS_THAT_MATTER).min(digits.len())];
    for (number, &i) in matter.iter().enumerate() {
        for digit in '0'..='9' {
            let mut changed = bytes.clone();
            changed[i] = digit;
            texts.push(changed.into_iter().collect());
        }
        let mut dropped = bytes.clone();
        dropped.remove(i);
        texts.push(dropped.into_iter().collect());
        let mut doubled = bytes.clone();
        doubled.insert(i, bytes[i]);
        texts.push(doubled.into_iter().collect());
        if let Some(&next) = matter.get(number + 1) {
            let mut swapped = bytes.clone();
            swapped.swap(i, next);
            texts.push(swapped.into_iter().collect());
        }
    }
    texts.push(printed.replace('.', ""));
    let shifted = [value.abs() * 10.0, value.abs() / 10.0];
    let mut values: Vec<f64> = texts
        .iter()
        .filter_map(|text| text.parse::<f64>().ok())
        .chain(shifted)
        .filter(|x| x.is_finite() && *x > 0.0 && *x != value.abs())
        .map(|x| sign * x)
        .collect();
    values.sort_by(f64::total_cmp);
    values.dedup();
    values
}
