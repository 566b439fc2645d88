//! One line of a log: is it a sentence, is it whole, and which sentence.

use memchr::{memchr, memchr_iter, memrchr};

/// Why a line could not be used. The words are stable: they stand in records.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Reason {
    /// The checksum is wrong.
    Checksum,
    /// A whole sentence without a checksum, where one is required.
    NoChecksum,
    /// Cut or merged: it starts or ends like a sentence and is none.
    Torn,
    /// The checksum is right and the fields are impossible.
    Malformed,
    /// Bytes that are no text, and no sentence among them.
    Binary,
    /// A sentence that should say its time and does not.
    NoTime,
    /// Its epoch was closed three epochs ago.
    Late,
}

impl Reason {
    /// All reasons.
    pub const ALL: [Self; 7] = [Self::Checksum, Self::NoChecksum, Self::Torn, Self::Malformed, Self::Binary, Self::NoTime, Self::Late];

    /// The word in records.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Checksum => "checksum",
            Self::NoChecksum => "no-checksum",
            Self::Torn => "torn",
            Self::Malformed => "malformed",
            Self::Binary => "binary",
            Self::NoTime => "no-time",
            Self::Late => "late-sentence",
        }
    }

    /// Whether a timed sentence may have been lost in such a line, so that sentences without a time
    /// of their own can no longer be placed.
    #[must_use]
    pub const fn may_hide_time(self) -> bool {
        !matches!(self, Self::Binary)
    }
}

/// Sentences that are read. Everything else is ignored by kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, clippy::upper_case_acronyms)]
pub enum Formatter {
    GGA,
    GNS,
    RMC,
    ZDA,
    GST,
    GSA,
    GSV,
    VTG,
    HDT,
    HDM,
    ROT,
    XDR,
    GLL,
    GBS,
    Other,
}

impl Formatter {
    #[inline]
    fn of(letters: [u8; 3]) -> Self {
        match &letters {
            b"GSV" => Self::GSV,
            b"GGA" => Self::GGA,
            b"GSA" => Self::GSA,
            b"RMC" => Self::RMC,
            b"GST" => Self::GST,
            b"XDR" => Self::XDR,
            b"HDT" => Self::HDT,
            b"GNS" => Self::GNS,
            b"VTG" => Self::VTG,
            b"ZDA" => Self::ZDA,
            b"GLL" => Self::GLL,
            b"GBS" => Self::GBS,
            b"HDM" => Self::HDM,
            b"ROT" => Self::ROT,
            _ => Self::Other,
        }
    }

    /// Its three letters.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::GGA => "GGA",
            Self::GNS => "GNS",
            Self::RMC => "RMC",
            Self::ZDA => "ZDA",
            Self::GST => "GST",
            Self::GSA => "GSA",
            Self::GSV => "GSV",
            Self::VTG => "VTG",
            Self::HDT => "HDT",
            Self::HDM => "HDM",
            Self::ROT => "ROT",
            Self::XDR => "XDR",
            Self::GLL => "GLL",
            Self::GBS => "GBS",
            Self::Other => "other",
        }
    }

    /// Counts of data fields that the sentence may have.
    #[must_use]
    pub const fn allows(self, fields: usize) -> bool {
        match self {
            Self::GGA => fields == 14,
            Self::GNS => fields == 12 || fields == 13,
            Self::RMC => fields >= 11 && fields <= 13,
            Self::ZDA => fields == 6,
            Self::GST => fields == 8,
            Self::GSA => fields == 17 || fields == 18,
            Self::VTG => fields == 4 || fields == 8 || fields == 9,
            Self::HDT | Self::HDM | Self::ROT => fields == 2,
            Self::XDR => fields >= 4 && fields % 4 <= 1,
            Self::GLL => fields >= 4 && fields <= 7,
            Self::GBS => fields >= 8 && fields <= 10,
            Self::GSV | Self::Other => true,
        }
    }
}

/// A whole sentence: the checksum is right, or there is none and none is required.
#[derive(Clone, Copy, Debug)]
pub struct Sentence<'a> {
    /// Address: talker and formatter (`GNGGA`), or the maker's own (`PUBX`).
    pub address: &'a [u8],
    /// Which sentence.
    pub formatter: Formatter,
    /// Everything after the first comma, up to the asterisk.
    pub body: &'a [u8],
}

impl<'a> Sentence<'a> {
    /// Splits the text between `$` and `*`.
    #[inline]
    fn split(inner: &'a [u8]) -> Self {
        // Nearly every address has five letters: looked at first, without a search.
        let (address, body) = match inner {
            [a, b, c, d, e, b',', body @ ..] if ![a, b, c, d, e].contains(&&b',') => (&inner[..5], body),
            _ => match memchr(b',', inner) {
                Some(comma) => (&inner[..comma], &inner[comma + 1..]),
                None => (inner, &[][..]),
            },
        };
        let formatter = match address {
            // `PQ` is a talker in front of a known formatter, and a maker's prefix elsewhere.
            [b'P', q, a, b, c] if *q != b'Q' || Formatter::of([*a, *b, *c]) == Formatter::Other => Formatter::Other,
            [_, _, a, b, c] => Formatter::of([*a, *b, *c]),
            _ => Formatter::Other,
        };
        Self { address, formatter, body }
    }

    /// Address packed in a number, for counting.
    #[must_use]
    pub fn key(&self) -> u128 {
        pack(self.address)
    }

    /// Number of data fields.
    #[must_use]
    pub fn fields(&self) -> usize {
        memchr_iter(b',', self.body).count() + 1
    }
}

/// Up to sixteen bytes of a word in a number.
#[inline]
#[must_use]
pub fn pack(word: &[u8]) -> u128 {
    // The usual length apart: a copy of unknown length is a call into the library.
    if let [a, b, c, d, e] = *word {
        return u128::from_be_bytes([a, b, c, d, e, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]);
    }
    let mut bytes = [0_u8; 16];
    let n = word.len().min(16);
    bytes[..n].copy_from_slice(&word[..n]);
    u128::from_be_bytes(bytes)
}

/// The word of a packed number.
#[must_use]
pub fn unpack(key: u128) -> String {
    key.to_be_bytes().iter().take_while(|b| **b != 0).map(|b| *b as char).collect()
}

/// What a line is.
#[derive(Clone, Copy, Debug)]
pub enum Line<'a> {
    /// A whole sentence, alone on its line.
    Sentence(Sentence<'a>),
    /// All fields of a sentence, and no checksum: whole, or cut in its last field.
    Bare(Sentence<'a>),
    /// Something else stands before a sentence that may be whole: binary frames, a time stamp.
    Mixed,
    /// Damaged.
    Damaged(Reason),
    /// Not a sentence, by kind.
    Ignored(&'static str),
}

/// XOR of all bytes, eight at a time, and whether one of them is `$` or not ASCII.
#[inline]
fn sum(bytes: &[u8]) -> (u8, bool) {
    const LOW: u64 = 0x0101_0101_0101_0101;
    const HIGH: u64 = 0x8080_8080_8080_8080;
    const DOLLAR: u64 = LOW * b'$' as u64;
    let mut xor = 0_u64;
    let mut odd = 0_u64;
    let (words, rest) = bytes.as_chunks::<8>();
    for word in words {
        let v = u64::from_ne_bytes(*word);
        xor ^= v;
        let d = v ^ DOLLAR;
        // A byte of `d` is zero where the text has `$`; the high bit marks text that is not ASCII.
        odd |= (d.wrapping_sub(LOW) & !d & HIGH) | (v & HIGH);
    }
    let mut x = xor ^ (xor >> 32);
    x ^= x >> 16;
    x ^= x >> 8;
    #[allow(clippy::cast_possible_truncation)]
    let mut sum = x as u8;
    let mut strange = odd != 0;
    for byte in rest {
        sum ^= byte;
        strange |= *byte == b'$' || !byte.is_ascii();
    }
    (sum, strange)
}

#[inline]
fn hex(digit: u8) -> u8 {
    match digit {
        b'0'..=b'9' => digit - b'0',
        b'A'..=b'F' => digit - b'A' + 10,
        b'a'..=b'f' => digit - b'a' + 10,
        _ => 255,
    }
}

/// The sentence that is exactly `text`, `$` to checksum: `Ok` only when the checksum is right.
#[inline]
fn exact(text: &[u8]) -> Result<Sentence<'_>, Option<Reason>> {
    let [b'$', inner @ .., b'*', high, low] = text else { return Err(None) };
    let (h, l) = (hex(*high), hex(*low));
    if h > 15 || l > 15 {
        return Err(Some(Reason::Torn));
    }
    let (sum, strange) = sum(inner);
    if strange {
        return Err(Some(Reason::Torn));
    }
    if sum != h * 16 + l {
        return Err(Some(Reason::Checksum));
    }
    Ok(Sentence::split(inner))
}

fn is_text(bytes: &[u8]) -> bool {
    bytes.iter().all(|b| matches!(b, 0x20..=0x7e | b'\t'))
}

/// What a line is; the line end is already gone.
#[inline]
#[must_use]
pub fn classify(line: &[u8]) -> Line<'_> {
    match exact(line) {
        Ok(sentence) => Line::Sentence(sentence),
        Err(reason) => unusual(line, reason),
    }
}

#[cold]
fn unusual(line: &[u8], reason: Option<Reason>) -> Line<'_> {
    let trimmed = line.trim_ascii();
    if trimmed.is_empty() {
        return Line::Ignored("blank");
    }
    if trimmed.len() < line.len()
        && let Ok(sentence) = exact(trimmed)
    {
        return Line::Sentence(sentence);
    }
    let text = is_text(trimmed);
    let starts = trimmed[0] == b'$' && trimmed.get(1).is_some_and(u8::is_ascii_alphanumeric);
    let ends = matches!(trimmed, [.., b'*', h, l] if hex(*h) < 16 && hex(*l) < 16);
    if text && starts {
        if memrchr(b'$', trimmed) != Some(0) {
            return Line::Damaged(Reason::Torn);
        }
        if let Some(reason) = reason {
            return Line::Damaged(reason);
        }
        if memchr(b'*', trimmed).is_some() {
            return Line::Damaged(Reason::Torn);
        }
        // No checksum at all: whole, or cut?
        let sentence = Sentence::split(&trimmed[1..]);
        let whole = !sentence.body.is_empty() && sentence.formatter.allows(sentence.fields());
        return if whole { Line::Bare(sentence) } else { Line::Damaged(Reason::Torn) };
    }
    match trimmed[0] {
        b'#' if std::str::from_utf8(trimmed).is_ok_and(|t| !t.chars().any(|c| c.is_control() && c != '\t')) => {
            return Line::Ignored("comment");
        }
        b'{' | b'[' if text => return Line::Ignored("other-text"),
        b'!' if text => return Line::Ignored("encapsulated"),
        _ => {}
    }
    if memchr(b'$', trimmed).is_some_and(|first| memchr(b'*', &trimmed[first..]).is_some()) {
        return Line::Mixed;
    }
    without_sentence(trimmed, text, starts, ends)
}

/// The kind of a line in which no whole sentence was found.
fn without_sentence(trimmed: &[u8], text: bool, starts: bool, ends: bool) -> Line<'static> {
    // A maker's own sentence may hold binary fields; it gives no time.
    let own = starts && !text && trimmed[1] == b'P';
    if ends && !own || (starts && !own && is_text(&trimmed[..trimmed.len().min(6)])) {
        Line::Damaged(Reason::Torn)
    } else if text {
        Line::Ignored("other-text")
    } else {
        Line::Damaged(Reason::Binary)
    }
}

/// Whole sentences inside a line that holds other bytes too, in order.
///
/// Only sentences with a right checksum count: their bytes are plain ASCII without a second `$`.
#[derive(Debug)]
pub struct Within<'a> {
    /// What was not looked at yet; after the last sentence, what stands behind it.
    rest: &'a [u8],
    /// What stood before the sentence that was found last.
    before: &'a [u8],
}

impl<'a> Within<'a> {
    /// Looks at a line that [`classify`] called mixed.
    #[must_use]
    pub fn new(line: &'a [u8]) -> Self {
        Self { rest: line, before: &[] }
    }

    /// Whether a cut sentence may stand before the one that was found last, or, when none was found
    /// any more, behind it.
    #[must_use]
    pub fn beside_a_cut(&self) -> bool {
        may_be_cut(self.before)
    }
}

impl<'a> Iterator for Within<'a> {
    type Item = Sentence<'a>;

    fn next(&mut self) -> Option<Sentence<'a>> {
        /// Sentences are at most 82 characters by the standard; makers write longer ones.
        const LONGEST: usize = 400;
        let all = self.rest;
        let mut at = 0;
        while let Some(start) = memchr(b'$', &all[at..]) {
            at += start;
            let from = &all[at..];
            let window = &from[..from.len().min(LONGEST)];
            if let Some(star) = memchr(b'*', window)
                && let Some(text) = from.get(..star + 3)
                && text.get(1..6).is_some_and(|a| a.iter().all(u8::is_ascii_alphanumeric))
                && is_text(text)
                && let Ok(sentence) = exact(text)
            {
                self.before = &all[..at];
                self.rest = &from[star + 3..];
                return Some(sentence);
            }
            at += 1;
        }
        self.before = all;
        self.rest = &[];
        None
    }
}

/// Whether bytes beside a sentence may be what is left of another. A time stamp that ends in a blank
/// is not, and binary frames are not.
fn may_be_cut(bytes: &[u8]) -> bool {
    let begun = bytes.windows(3).any(|w| w[0] == b'$' && w[1].is_ascii_uppercase() && w[2].is_ascii_uppercase());
    let stamp = bytes.last().is_none_or(u8::is_ascii_whitespace) && memchr(b'$', bytes).is_none();
    begun || (is_text(bytes) && !stamp)
}

/// The verdict on a mixed line in which no whole sentence was found.
#[must_use]
pub fn classify_without_sentence(line: &[u8]) -> Line<'static> {
    let trimmed = line.trim_ascii();
    let text = is_text(trimmed);
    let starts = trimmed.first() == Some(&b'$') && trimmed.get(1).is_some_and(u8::is_ascii_alphanumeric);
    let ends = matches!(trimmed, [.., b'*', h, l] if hex(*h) < 16 && hex(*l) < 16);
    without_sentence(trimmed, text, starts, ends)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn word(line: &str) -> String {
        match classify(line.as_bytes()) {
            Line::Sentence(s) => format!("{} {:?}", String::from_utf8_lossy(s.address), s.formatter),
            Line::Bare(s) => format!("bare {:?}", s.formatter),
            Line::Mixed => "mixed".into(),
            Line::Damaged(r) => r.word().into(),
            Line::Ignored(k) => k.into(),
        }
    }

    #[test]
    fn lines_are_named() {
        // S-GST-1, S-HDT-1 (checks/06_nmea.csv) and lines made from them.
        for (line, want) in [
            ("$GPGST,092750.000,0.5,0.3,0.2,45.0,0.3,0.2,0.1*5B", "GPGST GST"),
            ("$GPGST,092750.000,0.5,0.3,0.2,45.0,0.3,0.2,0.1*5b", "GPGST GST"),
            ("$HEHDT,274.07,T*19", "HEHDT HDT"),
            ("$HEHDT,274.07,T*19 ", "HEHDT HDT"),
            ("$HEHDT,274.08,T*19", "checksum"),
            ("$HEHDT,274.07,T*1", "torn"),
            ("$HEHDT,274.07,T*19x", "torn"),
            ("$HEHDT,274.07,T", "bare HDT"),
            ("$HEHDT,274.07", "torn"),
            ("$GNGST,140511.00,28,,,", "torn"),
            ("$GNGST,140511.00,2$HEHDT,274.07,T*19", "torn"),
            (".07,T*19", "torn"),
            ("# a comment", "comment"),
            ("{\"class\":\"VERSION\"}", "other-text"),
            ("!AIVDM,1,1,,B,13aGhtw0R<OJf=6LgQ?Ad1FF05`L,0*24", "encapsulated"),
            ("", "blank"),
            ("  ", "blank"),
            ("hello", "other-text"),
            ("12:01:02 $HEHDT,274.07,T*19", "mixed"),
            ("\u{1}\u{2}b", "binary"),
            ("$", "other-text"),
        ] {
            assert_eq!(word(line), want, "{line}");
        }
    }

    #[test]
    fn sentences_are_found_among_binary() {
        let mut line = b"\xb5\x62\x01$\x07*".to_vec();
        line.extend(b"$HEHDT,274.07,T*19\xd3\x00$GPHDT,196.67,T*0A");
        assert!(matches!(classify(&line), Line::Mixed));
        let found: Vec<_> = Within::new(&line).map(|s| s.body.to_vec()).collect();
        assert_eq!(found, [b"274.07,T".to_vec(), b"196.67,T".to_vec()]);
    }

    proptest! {
        #[test]
        fn checksum_is_the_plain_one(bytes in proptest::collection::vec(any::<u8>(), 0..100)) {
            let (ours, strange) = sum(&bytes);
            prop_assert_eq!(ours, bytes.iter().fold(0, |a, b| a ^ b));
            prop_assert_eq!(strange, bytes.iter().any(|b| *b == b'$' || *b > 127));
        }

        #[test]
        fn any_bytes_do_no_harm(line in proptest::collection::vec(any::<u8>(), 0..200)) {
            if let Line::Mixed = classify(&line) {
                let _ = Within::new(&line).count();
                let _ = classify_without_sentence(&line);
            }
        }
    }
}
