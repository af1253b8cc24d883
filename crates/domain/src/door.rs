//! What may never enter the ledger as text: full card numbers, card codes, full Social Security
//! numbers.
//!
//! PCI DSS 4.0.1 requirement 3.3.1 forbids keeping a card verification code after authorization,
//! and 3.5.1 a readable card number; an append-only ledger that refuses both needs neither rule's
//! remedies. A full Social Security number is refused because the trade needs its last four digits
//! only (common practice, no source).
//!
//! The door fails closed: where a number could be a card, it is refused and the person rewrites
//! the text. What it must let through are the numbers of daily work: telephone numbers, ZIP+4
//! codes, dates, UUIDs, digests, tracking numbers.

/// Why a text was refused. Never carries the value, nor where in the text it stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum DoorFinding {
    /// A full payment card number (PCI DSS 4.0.1 requirement 3.5.1).
    CardNumber,
    /// A card verification code (PCI DSS 4.0.1 requirement 3.3.1).
    CardCode,
    /// A full Social Security number.
    SocialSecurityNumber,
}

impl DoorFinding {
    /// The rule in words for the person who wrote the text.
    pub const fn rule(self) -> &'static str {
        match self {
            Self::CardNumber => {
                "a full payment card number must not be kept; name the brand and the last four \
                 digits (PCI DSS 4.0.1 requirement 3.5.1)"
            }
            Self::CardCode => {
                "a card verification code must not be kept, not even encrypted (PCI DSS 4.0.1 \
                 requirement 3.3.1)"
            }
            Self::SocialSecurityNumber => {
                "a full Social Security number must not be kept; the last four digits are enough"
            }
        }
    }
}

/// Fewest digits that any finding needs: a card code.
const DIGITS_MIN: usize = 3;
const CARD_DIGITS_MIN: usize = 13;
const CARD_DIGITS_MAX: usize = 19;
const SSN_DIGITS: usize = 9;
const PHONE_DIGITS_MAX: usize = 15;
/// Most separators between two groups of one number, as in `4111 - 1111`.
const JOINER_CHARS_MAX: usize = 3;
/// Most characters between a card code's keyword and its digits, as in ` (on the back): `.
const CODE_GAP_CHARS_MAX: usize = 16;
/// Lengths of MD5, SHA-1 and SHA-256 in hexadecimal; the first is also a UUID without hyphens.
const DIGEST_CHARS: [usize; 3] = [32, 40, 64];
/// Groups of a UUID (RFC 9562 section 4).
const UUID_GROUPS: [usize; 5] = [8, 4, 4, 4, 12];

/// How cards are embossed, besides groups of four (common practice, no source).
const CARD_LAYOUTS: [&[usize]; 7] = [
    &[4, 6, 5],
    &[4, 6, 4],
    &[4, 4, 5],
    &[4, 3, 3, 3],
    &[4, 4, 4, 4, 3],
    &[4, 4, 4, 4, 2],
    &[6, 13],
];
const FOURS: &[usize] = &[4, 4, 4, 4];
const SSN_LAYOUT: &[usize] = &[3, 2, 4];
/// A parcel's number as its label prints it, beginning with 9 (from memory, USPS Publication 199).
const PARCEL_LAYOUT: &[usize] = &[4, 4, 4, 4, 4, 2];
/// Telephone numbers and dates: a run of groups that holds one of these is no single number.
const EVERYDAY_LAYOUTS: [&[usize]; 3] = [&[3, 3, 4], &[4, 2, 2], &[2, 2, 4]];

/// Words that announce a card code, longest first where one begins another. A space stands for any
/// separators or none.
const CODE_KEYWORDS: [&str; 10] = [
    "verification code",
    "security code",
    "card code",
    "cvv2",
    "cvc2",
    "cvv",
    "cvc",
    "cvn",
    "cid",
    "csc",
];

/// The zero of every block of decimal digits beyond ASCII (Unicode 14.0, general category Nd).
const ZEROS: [u32; 65] = [
    0x0660, 0x06F0, 0x07C0, 0x0966, 0x09E6, 0x0A66, 0x0AE6, 0x0B66, 0x0BE6, 0x0C66, 0x0CE6, 0x0D66,
    0x0DE6, 0x0E50, 0x0ED0, 0x0F20, 0x1040, 0x1090, 0x17E0, 0x1810, 0x1946, 0x19D0, 0x1A80, 0x1A90,
    0x1B50, 0x1BB0, 0x1C40, 0x1C50, 0xA620, 0xA8D0, 0xA900, 0xA9D0, 0xA9F0, 0xAA50, 0xABF0, 0xFF10,
    0x104A0, 0x10D30, 0x11066, 0x110F0, 0x11136, 0x111D0, 0x112F0, 0x11450, 0x114D0, 0x11650,
    0x116C0, 0x11730, 0x118E0, 0x11950, 0x11C50, 0x11D50, 0x11DA0, 0x16A60, 0x16AC0, 0x16B50,
    0x1D7CE, 0x1D7D8, 0x1D7E2, 0x1D7EC, 0x1D7F6, 0x1E140, 0x1E2F0, 0x1E950, 0x1FBF0,
];

/// The first reason to refuse the text, `None` when it may enter.
///
/// - Card number: 13 to 19 digits that satisfy Luhn's check (ISO/IEC 7812-1), not all alike, as one
///   run or grouped as cards are printed, also inside a longer row of groups (a date before it, an
///   expiry after it); any other grouping counts when one kind of single separator is used
///   throughout, or between dates, telephone numbers and other separators. Digits written without a gap as part of a longer run are no card number.
/// - Card code: three or four digits soon after a word such as `CVV` or `security code`.
/// - Social Security number: nine digits bare or as 3-2-4, in a range that was ever issued. A bare
///   nine-digit routing or account number in that range is refused with it.
///
/// Digits of every script count, and characters without width are looked through.
pub fn inspect(text: &str) -> Option<DoorFinding> {
    if text.chars().filter(|c| digit_value(*c).is_some()).take(DIGITS_MIN).count() < DIGITS_MIN {
        return None;
    }
    let mut chars = fold(text);
    blank_identifiers(&mut chars);
    let groups = digit_groups(&chars);
    let rows = groups.chunk_by(|left, right| is_joined(&chars, left, right));
    for row in rows {
        let row = Row { chars: &chars, groups: row };
        if row.has_card_number() {
            return Some(DoorFinding::CardNumber);
        }
        if row.has_social_security_number() {
            return Some(DoorFinding::SocialSecurityNumber);
        }
    }
    has_card_code(&chars).then_some(DoorFinding::CardCode)
}

/// The value of a decimal digit of any script.
fn digit_value(c: char) -> Option<u32> {
    if c.is_ascii() {
        return c.to_digit(10);
    }
    let point = u32::from(c);
    match point {
        // Superscripts and subscripts are no decimal digits to Unicode, but they are to a reader.
        0xB2 | 0xB3 => Some(point - 0xB0),
        0xB9 => Some(1),
        0x2070 | 0x2074..=0x2079 => Some(point - 0x2070),
        0x2080..=0x2089 => Some(point - 0x2080),
        _ => {
            let zero = ZEROS[..ZEROS.partition_point(|zero| *zero <= point)].last()?;
            Some(point - zero).filter(|value| *value < 10)
        }
    }
}

/// Characters without width, which could hide between digits: format characters, variation
/// selectors, the keycap of emoji digits.
fn has_no_width(c: char) -> bool {
    matches!(
        u32::from(c),
        0xAD | 0x34F | 0x61C | 0x180B..=0x180F | 0x200B..=0x200F | 0x202A..=0x202E
            | 0x2060..=0x206F | 0x20E3 | 0xFE00..=0xFE0F | 0xFEFF
    )
}

/// The text with digits in ASCII, separators of one kind alike, letters in lower case.
fn fold(text: &str) -> Vec<char> {
    text.chars().filter(|c| !has_no_width(*c)).map(fold_char).collect()
}

fn fold_char(c: char) -> char {
    if let Some(digit) = digit_value(c).and_then(|value| char::from_digit(value, 10)) {
        return digit;
    }
    match u32::from(c) {
        0x2010..=0x2015 | 0x2212 | 0x2043 | 0xFE58 | 0xFE63 | 0xFF0D => '-',
        0xB7 | 0x2022 | 0x2024 | 0x2027 | 0x22C5 | 0xFF0E => '.',
        0x2044 | 0x2215 => '/',
        // Fullwidth forms stand at a fixed distance from ASCII.
        point @ 0xFF01..=0xFF5E => {
            char::from_u32(point - 0xFEE0).map_or(c, |ascii| ascii.to_ascii_lowercase())
        }
        _ if c.is_whitespace() => ' ',
        _ => c.to_ascii_lowercase(),
    }
}

fn is_separator(c: char) -> bool {
    matches!(c, ' ' | '-' | '.' | '/' | '_')
}

/// Writes over UUIDs and hexadecimal digests: their runs of digits mean nothing.
fn blank_identifiers(chars: &mut [char]) {
    let mut start = 0;
    while start < chars.len() {
        let part = |c: &&char| c.is_ascii_alphanumeric() || **c == '-';
        let length = chars[start..].iter().take_while(part).count();
        let word = &mut chars[start..start + length];
        if is_uuid(word) || is_digest(word) {
            word.fill('x');
        }
        start += length + 1;
    }
}

fn is_uuid(word: &[char]) -> bool {
    let mut groups = word.split(|c| *c == '-');
    UUID_GROUPS.iter().all(|length| {
        groups.next().is_some_and(|group| {
            group.len() == *length && group.iter().all(char::is_ascii_hexdigit)
        })
    }) && groups.next().is_none()
}

fn is_digest(word: &[char]) -> bool {
    DIGEST_CHARS.contains(&word.len()) && word.iter().all(char::is_ascii_hexdigit)
}

/// A run of digits without a gap, as a range of the folded text.
struct Group {
    start: usize,
    end: usize,
}

impl Group {
    fn len(&self) -> usize {
        self.end - self.start
    }
}

fn digit_groups(chars: &[char]) -> Vec<Group> {
    let mut groups = Vec::new();
    let mut at = 0;
    while at < chars.len() {
        let length = chars[at..].iter().take_while(|c| c.is_ascii_digit()).count();
        if length > 0 {
            groups.push(Group { start: at, end: at + length });
        }
        at += length + 1;
    }
    groups
}

fn is_joined(chars: &[char], left: &Group, right: &Group) -> bool {
    let joiner = &chars[left.end..right.start];
    joiner.len() <= JOINER_CHARS_MAX && joiner.iter().all(|c| is_separator(*c))
}

/// Groups of digits with nothing but separators between them.
struct Row<'a> {
    chars: &'a [char],
    groups: &'a [Group],
}

impl Row<'_> {
    fn has_card_number(&self) -> bool {
        let lengths: Vec<usize> = self.groups.iter().map(Group::len).collect();
        if self.groups.iter().any(|group| self.is_card_number(std::slice::from_ref(group))) {
            return true;
        }
        if lengths.len() == 1 || self.is_parcel(&lengths) {
            return false;
        }
        // Groups of four run together may be one number whatever stands between them.
        if lengths.iter().all(|length| length % 4 == 0) && self.is_card_number(self.groups) {
            return true;
        }
        if self.uniform_parts(&lengths).any(|part| self.is_card_in_row(part)) {
            return true;
        }
        let layouts = CARD_LAYOUTS.iter().copied().chain([FOURS]);
        layouts.into_iter().any(|layout| {
            lengths
                .windows(layout.len())
                .zip(self.groups.windows(layout.len()))
                .any(|(lengths, groups)| lengths == layout && self.is_card_in_row(groups))
        })
    }

    /// Whether the row, or these groups of a longer one, are a card number.
    fn is_card_in_row(&self, groups: &[Group]) -> bool {
        (groups.len() == self.groups.len() || self.begins_as_card(groups))
            && self.is_card_number(groups)
    }

    /// The longest stretches with one kind of single separator throughout, between telephone numbers
    /// and dates: one number in an unusual grouping may be written so. It is the whole row where
    /// nothing divides it.
    fn uniform_parts(&self, lengths: &[usize]) -> impl Iterator<Item = &[Group]> {
        let mut parts = Vec::new();
        let (mut begin, mut at) = (0, 0);
        while at < lengths.len() {
            let everyday = EVERYDAY_LAYOUTS.iter().find(|l| lengths[at..].starts_with(l));
            if let Some(layout) = everyday {
                parts.push(begin..at);
                begin = at + layout.len();
            }
            at += everyday.map_or(1, |layout| layout.len());
        }
        parts.push(begin..lengths.len());
        parts.into_iter().flat_map(|part| self.uniform_runs(&self.groups[part]))
    }

    fn uniform_runs<'g>(&self, groups: &'g [Group]) -> Vec<&'g [Group]> {
        let joiner = |at: usize| &self.chars[groups[at].end..groups[at + 1].start];
        let mut runs = Vec::new();
        let mut begin = 0;
        while begin + 1 < groups.len() {
            let mut end = begin + 1;
            while end + 1 < groups.len() && joiner(end) == joiner(begin) {
                end += 1;
            }
            if joiner(begin).len() == 1 {
                runs.push(&groups[begin..=end]);
            }
            begin = end;
        }
        runs
    }

    fn is_parcel(&self, lengths: &[usize]) -> bool {
        lengths == PARCEL_LAYOUT && self.chars[self.groups[0].start] == '9'
    }

    /// Payment cards begin with 2 to 6 (ISO/IEC 7812-1, from memory). Asked only of a part of a
    /// longer row, where chance would otherwise find a tenth of all innocent rows guilty.
    fn begins_as_card(&self, groups: &[Group]) -> bool {
        matches!(self.chars[groups[0].start], '2'..='6')
    }

    fn digits<'g>(&'g self, groups: &'g [Group]) -> impl DoubleEndedIterator<Item = u32> + 'g {
        groups
            .iter()
            .flat_map(|group| &self.chars[group.start..group.end])
            .filter_map(|c| c.to_digit(10))
    }

    fn is_card_number(&self, groups: &[Group]) -> bool {
        let length: usize = groups.iter().map(Group::len).sum();
        if !(CARD_DIGITS_MIN..=CARD_DIGITS_MAX).contains(&length) {
            return false;
        }
        let first = self.digits(groups).next();
        let all_alike = self.digits(groups).all(|digit| Some(digit) == first);
        !all_alike && satisfies_luhn(self.digits(groups).rev())
    }

    fn has_social_security_number(&self) -> bool {
        let grouped = self.groups.windows(SSN_LAYOUT.len()).filter(|groups| {
            groups.iter().map(Group::len).eq(SSN_LAYOUT.iter().copied())
                && groups.windows(2).all(|pair| self.is_ssn_joiner(&pair[0], &pair[1]))
        });
        let bare = self
            .groups
            .chunks(1)
            .filter(|group| group[0].len() == SSN_DIGITS && !self.is_between_letters(&group[0]));
        grouped.chain(bare).any(|groups| !self.is_international() && self.was_issued(groups))
    }

    fn is_ssn_joiner(&self, left: &Group, right: &Group) -> bool {
        self.chars[left.end..right.start].iter().all(|c| matches!(c, ' ' | '-' | '.'))
    }

    /// A plus sign announces a telephone number; a row with more digits than one can have holds
    /// something else as well (ITU-T E.164).
    fn is_international(&self) -> bool {
        let start = self.groups[0].start;
        let digits: usize = self.groups.iter().map(Group::len).sum();
        start > 0 && self.chars[start - 1] == '+' && digits <= PHONE_DIGITS_MAX
    }

    /// Letters on both sides make a postal item number (UPU S10: two letters, nine digits, two
    /// letters; from memory).
    fn is_between_letters(&self, group: &Group) -> bool {
        let is_letter = |c: Option<&char>| c.is_some_and(|c| c.is_alphabetic());
        let before = group.start.checked_sub(1).and_then(|at| self.chars.get(at));
        is_letter(before) && is_letter(self.chars.get(group.end))
    }

    /// Area 000, 666 and 900 to 999, group 00 and serial 0000 were never issued (Social Security
    /// Administration, from memory).
    fn was_issued(&self, groups: &[Group]) -> bool {
        let number = self.digits(groups).fold(0, |number, digit| number * 10 + digit);
        let (area, group, serial) = (number / 1_000_000, number / 10_000 % 100, number % 10_000);
        !matches!(area, 0 | 666 | 900..) && group != 0 && serial != 0
    }
}

/// Luhn's check over digits from the last to the first (ISO/IEC 7812-1 annex B).
fn satisfies_luhn(digits_reversed: impl Iterator<Item = u32>) -> bool {
    let sum: u32 = digits_reversed
        .enumerate()
        .map(|(place, digit)| match (place % 2, digit) {
            (0, digit) => digit,
            (_, digit @ 5..) => digit * 2 - 9,
            (_, digit) => digit * 2,
        })
        .sum();
    sum.is_multiple_of(10)
}

fn has_card_code(chars: &[char]) -> bool {
    (0..chars.len()).filter(|at| *at == 0 || !chars[at - 1].is_alphabetic()).any(|at| {
        CODE_KEYWORDS
            .iter()
            .filter_map(|keyword| keyword_length(&chars[at..], keyword))
            .any(|length| code_follows(&chars[at + length..]))
    })
}

/// Characters of the keyword at the start; `None` when it is not there or only begins a longer
/// word.
fn keyword_length(chars: &[char], keyword: &str) -> Option<usize> {
    let mut at = 0;
    for letter in keyword.chars() {
        if letter == ' ' {
            at += chars[at..].iter().take_while(|c| is_separator(**c)).count();
        } else if chars.get(at) == Some(&letter) {
            at += 1;
        } else {
            return None;
        }
    }
    let longer = chars.get(at).is_some_and(|c| c.is_alphabetic() && *c != 's');
    (!longer).then_some(at)
}

/// Whether three or four digits come within a few characters, before a new sentence and not as part
/// of an amount, a date or a longer number.
fn code_follows(chars: &[char]) -> bool {
    let reach = &chars[..chars.len().min(CODE_GAP_CHARS_MAX)];
    let gap = reach.iter().take_while(|c| !c.is_ascii_digit()).count();
    let after_word = chars[..gap].iter().position(|c| c.is_alphabetic()).unwrap_or(gap);
    let new_sentence = chars[after_word..gap].iter().any(|c| matches!(c, '.' | ';'));
    if new_sentence || chars[..gap].contains(&'$') {
        return false;
    }
    let digits = chars[gap..].iter().take_while(|c| c.is_ascii_digit()).count();
    let rest = &chars[gap + digits..];
    let goes_on = matches!(rest, ['-' | '/' | '.' | ',', next, ..] if next.is_ascii_digit());
    matches!(digits, 3 | 4) && !goes_on
}

#[cfg(test)]
mod tests;
