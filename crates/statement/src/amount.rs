//! Amounts as banks write them, in minor units. Exact: a fraction of a cent is refused, not rounded.

use domain::money::{Currency, MINOR_MAX};

/// Reads a decimal number with at most so many digits of a minor unit, up to [`MINOR_MAX`] of them, so
/// that a file's amounts can be added up. Zeros after them are nothing: ISO 20022 allows five digits of
/// a fraction.
pub(crate) fn minor(text: &str, digits: usize) -> Option<i64> {
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    let all_digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if whole.is_empty() && fraction.is_empty() || !all_digits(whole) || !all_digits(fraction) {
        return None;
    }
    let fraction = fraction.trim_end_matches('0');
    if fraction.len() > digits || whole.len() > 15 {
        return None;
    }
    format!("{whole}{fraction:0<digits$}").parse().ok().filter(|minor| *minor <= MINOR_MAX)
}

/// Reads an amount of a table: a sign, a currency sign, grouping and parentheses for what is below
/// zero are as people write them.
pub(crate) fn loose(text: &str, decimal_mark: char, digits: usize) -> Option<i64> {
    let text = text.trim();
    let (text, in_parentheses) = match text.strip_prefix('(').and_then(|t| t.strip_suffix(')')) {
        Some(inner) => (inner.trim(), true),
        None => (text, false),
    };
    let (text, is_below) = match text.strip_prefix('-').or_else(|| text.strip_prefix('\u{2212}')) {
        Some(_) if in_parentheses => return None,
        Some(rest) => (rest, true),
        None => (text.strip_prefix('+').unwrap_or(text), in_parentheses),
    };
    let text = text.trim().trim_start_matches('$').trim();
    let grouping = if decimal_mark == ',' { '.' } else { ',' };
    let (whole, fraction) = text.split_once(decimal_mark).unwrap_or((text, ""));
    if !grouped(whole, grouping) || fraction.contains(grouping) {
        return None;
    }
    let whole = whole.replace(grouping, "");
    let value = minor(&format!("{whole}.{fraction}"), digits)?;
    Some(if is_below { -value } else { value })
}

/// Whether groups are of three digits, but for the first.
fn grouped(whole: &str, grouping: char) -> bool {
    let groups: Vec<&str> = whole.split(grouping).collect();
    groups.len() == 1
        || groups.iter().enumerate().all(|(at, group)| {
            if at == 0 { (1..=3).contains(&group.len()) } else { group.len() == 3 }
        })
}

/// Digits of a currency's minor unit; nothing for what is no ISO 4217 code.
pub(crate) fn digits_of(currency: &str) -> Option<usize> {
    let digits = Currency::parse(currency).ok()?.minor_digits();
    usize::try_from(digits).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_are_exact_or_refused() {
        for (text, cents) in [
            ("99.00", Some(9_900)),
            ("99", Some(9_900)),
            ("0.5", Some(50)),
            (".05", Some(5)),
            ("1.50000", Some(150)),
            ("1.005", None),
            ("-1", None),
            ("1e3", None),
            ("1,000.00", None),
            ("", None),
            (".", None),
            ("9999999999999999", None),
            ("10000000000.00", Some(MINOR_MAX)),
            ("10000000000.01", None),
        ] {
            assert_eq!(minor(text, 2), cents, "{text}");
        }
    }

    #[test]
    fn tables_write_amounts_as_people_do() {
        for (text, cents) in [
            ("$1,234.56", Some(123_456)),
            ("-15.00", Some(-1_500)),
            ("(15.00)", Some(-1_500)),
            ("\u{2212}0.01", Some(-1)),
            ("+3", Some(300)),
            ("12,34.00", None),
            ("1.2.3", None),
            ("(-5)", None),
            ("abc", None),
            ("", None),
        ] {
            assert_eq!(loose(text, '.', 2), cents, "{text}");
        }
        assert_eq!(loose("1.234,56", ',', 2), Some(123_456));
    }
}
