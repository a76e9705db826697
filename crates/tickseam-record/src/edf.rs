//! Samples and events as EDF+ and BDF+ files, record by record.
//!
//! EDF: Kemp et al., Electroencephalogr. Clin. Neurophysiol. 82 (1992) 391–393. EDF+: Kemp and Olivan, Clin. Neurophysiol. 114 (2003)
//! 1755–1761; the sections named here are those of its specification. BDF is EDF with 24 bits instead of 16 and another magic; BDF+ is to
//! it as EDF+ is to EDF.
//!
//! A file is a header, then data records of equal length. Each holds so many samples of each signal, and annotations, of which the first
//! says when the record begins. Records that are left out make the file discontinuous (`EDF+D`).

use std::io::{self, ErrorKind, Write};

/// Which of the two formats.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EdfKind {
    /// 16 bits a sample.
    Edf,
    /// 24 bits a sample.
    Bdf,
}

impl EdfKind {
    /// Least and greatest sample.
    pub fn digital(self) -> [i32; 2] {
        match self {
            Self::Edf => [-32_768, 32_767],
            Self::Bdf => [-8_388_608, 8_388_607],
        }
    }

    /// Bytes of a sample.
    pub fn bytes(self) -> usize {
        match self {
            Self::Edf => 2,
            Self::Bdf => 3,
        }
    }
}

/// One signal: how its numbers are told from its samples.
#[derive(Clone, Debug, PartialEq)]
pub struct EdfSignal {
    /// Its label; 16 characters are kept.
    pub label: String,
    /// Unit of the physical values; 8 characters are kept.
    pub unit: String,
    /// Physical values of the least and greatest sample, each as the eight characters of the header.
    pub physical: [String; 2],
    kind: EdfKind,
    low: f64,
    step: f64,
}

impl EdfSignal {
    /// A signal whose values are whole numbers that a sample holds: nothing is lost. `None` where they do not all fit.
    pub fn whole(kind: EdfKind, label: String, unit: String, values: [f64; 2]) -> Option<Self> {
        let [least, greatest] = kind.digital();
        let fits = values[0] >= f64::from(least) && values[1] <= f64::from(greatest);
        let low = f64::from(least);
        let physical = [least.to_string(), greatest.to_string()];
        fits.then_some(Self { label, unit, physical, kind, low, step: 1.0 })
    }

    /// A signal whose values lie in a range, spread over all samples there are: a value errs by up to half of [`step`](Self::step).
    pub fn spread(kind: EdfKind, label: String, unit: String, values: [f64; 2]) -> Self {
        let [least, greatest] = kind.digital();
        let [mut low, mut high] = values.map(|value| if value.is_finite() { value } else { 0.0 });
        // A range of nothing has no step.
        if low >= high {
            (low, high) = (low - 1.0, high + 1.0);
        }
        let physical = [eight_characters(low, false), eight_characters(high, true)];
        // What the header says is what counts.
        let read = |text: &String| text.parse::<f64>().unwrap_or(0.0);
        let (low, high) = (read(&physical[0]), read(&physical[1]));
        let step = (high - low) / (f64::from(greatest) - f64::from(least));
        Self { label, unit, physical, kind, low, step }
    }

    /// Difference of the values of two neighbouring samples.
    pub fn step(&self) -> f64 {
        self.step
    }

    /// The sample whose value is nearest.
    pub fn sample(&self, value: f64) -> i32 {
        let [least, greatest] = self.kind.digital();
        let sample = ((value - self.low) / self.step).round() + f64::from(least);
        (sample as i32).clamp(least, greatest)
    }
}

/// A number in at most eight characters, rounded down or up: the header's fields for physical values.
fn eight_characters(value: f64, up: bool) -> String {
    for decimals in (0..=6).rev() {
        let scale = 10_f64.powi(decimals);
        let rounded = if up { (value * scale).ceil() } else { (value * scale).floor() } / scale;
        let text = format!("{rounded:.*}", decimals as usize);
        let text = if decimals > 0 { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
        if text.len() <= 8 && (rounded != 0.0 || value == 0.0) {
            return if text == "-0" { "0".to_owned() } else { text.to_owned() };
        }
    }
    // Beyond what eight digits say, an exponent does: readers of the header take any number that C reads.
    for decimals in (0..=3).rev() {
        let size = value.abs().max(f64::MIN_POSITIVE).log10().floor();
        let scale = 10_f64.powf(size - f64::from(decimals));
        let rounded = if up { (value / scale).ceil() } else { (value / scale).floor() } * scale;
        let text = format!("{rounded:.*e}", decimals as usize);
        if text.len() <= 8 {
            return text;
        }
    }
    if up { "9e99".to_owned() } else { "-9e99".to_owned() }
}

/// When the first record begins, on a local clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct EdfStart {
    /// Year, 1985 to 2084.
    pub year: u16,
    /// Month, 1 to 12.
    pub month: u8,
    /// Day of the month, from 1.
    pub day: u8,
    /// Hour, 0 to 23.
    pub hour: u8,
    /// Minute, 0 to 59.
    pub minute: u8,
    /// Second, 0 to 59.
    pub second: u8,
}

impl EdfStart {
    /// Reads `2026-03-01T21:30:00`; `None` for anything else, a day that the month does not have included.
    pub fn parse(text: &str) -> Option<Self> {
        let (date, time) = text.split_once(['T', ' '])?;
        let mut date = date.splitn(3, '-');
        let mut time = time.splitn(3, ':');
        let number = |digits: Option<&str>, length: usize| {
            digits
                .filter(|digits| {
                    digits.len() == length && digits.bytes().all(|digit| digit.is_ascii_digit())
                })?
                .parse::<u16>()
                .ok()
        };
        let (year, month, day) = (number(date.next(), 4)?, number(date.next(), 2)?, number(date.next(), 2)?);
        let (hour, minute, second) =
            (number(time.next(), 2)?, number(time.next(), 2)?, number(time.next(), 2)?);
        let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
        let days = match month {
            4 | 6 | 9 | 11 => 30,
            2 => 28 + u16::from(leap),
            1..=12 => 31,
            _ => 0,
        };
        let fits = (1985..=2084).contains(&year)
            && (1..=days).contains(&day)
            && hour <= 23
            && minute <= 59
            && second <= 59;
        fits.then_some(Self {
            year,
            month: month as u8,
            day: day as u8,
            hour: hour as u8,
            minute: minute as u8,
            second: second as u8,
        })
    }
}

/// Something that is told at an instant of the file.
#[derive(Clone, Debug, PartialEq)]
pub struct EdfAnnotation {
    /// Seconds from the file's start; written to the nanosecond.
    pub onset_s: f64,
    /// How long it lasts, seconds.
    pub duration_s: Option<f64>,
    /// What it says; control characters become spaces.
    pub text: String,
}

/// A file to be written.
#[derive(Clone, Debug, PartialEq)]
pub struct EdfFile {
    /// Which of the two formats.
    pub kind: EdfKind,
    /// Its signals, all of one rate.
    pub signals: Vec<EdfSignal>,
    /// Samples of each signal in a record.
    pub samples_per_record: usize,
    /// Length of a record, s, as the header's eight characters: [`record_length`].
    pub record_s: String,
    /// Local start; the convention for an unknown one where absent.
    pub start: Option<EdfStart>,
    /// For each record, how many whole records lie between the file's start and it; ascending.
    pub records: Vec<u64>,
    /// Events and gaps, in any order.
    pub annotations: Vec<EdfAnnotation>,
}

/// Most bytes that a record of EDF should have (its specification, "data records").
const LARGEST_RECORD_BYTES: f64 = 61_440.0;

/// Lengths of a record that are tried, s.
const LENGTHS_S: [&str; 20] = [
    "1", "0.5", "0.25", "0.2", "0.125", "0.1", "0.05", "0.04", "0.025", "0.02", "0.0125", "0.01", "2", "4",
    "5", "8", "10", "20", "25", "40",
];

/// Length of a record and samples in it for a rate: a length that eight characters say exactly, of a whole number of samples, near a
/// second. `None` where there is none: then no such file has that rate.
pub fn record_length(rate_hz: f64, signals: usize, kind: EdfKind) -> Option<(String, usize)> {
    LENGTHS_S.into_iter().find_map(|text| {
        let length_s: f64 = text.parse().ok()?;
        let samples = (length_s * rate_hz).round();
        let exact = samples >= 1.0 && (samples / (length_s * rate_hz) - 1.0).abs() < 1e-12;
        let bytes = samples * signals as f64 * kind.bytes() as f64;
        // Few files have so many signals that not even their shortest record is small enough.
        (exact && (bytes <= LARGEST_RECORD_BYTES || length_s < 0.02))
            .then(|| (text.to_owned(), samples as usize))
    })
}

impl EdfFile {
    /// Writes the file. `fill` gives the samples of a record, signal by signal: the first of the record at `place` in
    /// [`records`](Self::records).
    ///
    /// # Errors
    /// Whatever the operating system or `fill` refuses; `InvalidInput` for a header that does not fit its fields.
    pub fn write(
        &self,
        out: &mut dyn Write,
        mut fill: impl FnMut(usize, &mut [i32]) -> io::Result<()>,
    ) -> io::Result<()> {
        let lists = self.annotation_lists();
        // Whole samples, so that the signal of annotations is one like the others.
        let bytes = self.kind.bytes();
        let room = lists.iter().map(Vec::len).max().unwrap_or(0).next_multiple_of(bytes).max(bytes);
        self.write_header(out, room / bytes)?;
        let mut samples = vec![0; self.samples_per_record * self.signals.len()];
        let mut record = Vec::with_capacity(samples.len() * bytes + room);
        for (place, list) in lists.iter().enumerate() {
            fill(place, &mut samples)?;
            record.clear();
            for sample in &samples {
                record.extend_from_slice(&sample.to_le_bytes()[..bytes]);
            }
            record.extend_from_slice(list);
            record.resize(samples.len() * bytes + room, 0);
            out.write_all(&record)?;
        }
        Ok(())
    }

    /// Of each record its annotations (section 2.2): first when it begins, then what fits.
    ///
    /// An annotation may stand in any record, so each goes into the first one from its own instant on that has room: records stay small
    /// where many things happen at once.
    fn annotation_lists(&self) -> Vec<Vec<u8>> {
        let record_s: f64 = self.record_s.parse().unwrap_or(1.0);
        let begins_s = |record: u64| record as f64 * record_s;
        let mut lists: Vec<Vec<u8>> = self
            .records
            .iter()
            .map(|&record| [instant(begins_s(record), true).as_bytes(), b"\x14\x14\0"].concat())
            .collect();
        let mut told: Vec<(f64, Vec<u8>)> =
            self.annotations.iter().map(|annotation| (annotation.onset_s, told(annotation))).collect();
        told.sort_by(|a, b| a.0.total_cmp(&b.0));
        let timekeeping = lists.iter().map(Vec::len).max().unwrap_or(0);
        let largest = told.iter().map(|(_, bytes)| bytes.len()).max().unwrap_or(0);
        let all: usize = told.iter().map(|(_, bytes)| bytes.len()).sum();
        let mut room = timekeeping + largest.max(2 * all.div_ceil(lists.len().max(1)));
        loop {
            let mut filled = lists.clone();
            let mut record = 0;
            let mut left = false;
            for (onset_s, bytes) in &told {
                while record + 1 < self.records.len() && begins_s(self.records[record + 1]) <= *onset_s {
                    record += 1;
                }
                let free = (record..filled.len()).find(|&at| filled[at].len() + bytes.len() <= room);
                match free {
                    Some(at) => filled[at].extend_from_slice(bytes),
                    None => left = true,
                }
            }
            if !left || lists.is_empty() {
                lists = filled;
                return lists;
            }
            room *= 2;
        }
    }

    fn write_header(&self, out: &mut dyn Write, annotation_samples: usize) -> io::Result<()> {
        let signals = self.signals.len() + 1;
        // Records that were left out: the file is not continuous (section 2.1.1).
        let continuous = self.records.iter().enumerate().all(|(place, &record)| place as u64 == record);
        let (magic, plus) = match self.kind {
            EdfKind::Edf => (&b"0       "[..], "EDF+"),
            // The magic and the name of the format, fixed by it.
            EdfKind::Bdf => (&b"\xffBIOSEMI"[..], "BDF+"),
        };
        let (date, clock, startdate) = match self.start {
            Some(at) => (
                format!("{:02}.{:02}.{:02}", at.day, at.month, at.year % 100),
                format!("{:02}.{:02}.{:02}", at.hour, at.minute, at.second),
                format!("{:02}-{}-{}", at.day, MONTHS[usize::from(at.month - 1) % 12], at.year),
            ),
            // An unknown start (section 2.1.3, point 4; the date is the least that a file can have).
            None => ("01.01.85".to_owned(), "00.00.00".to_owned(), "X".to_owned()),
        };
        let mut header = Vec::with_capacity(256 * (signals + 1));
        header.extend_from_slice(magic);
        field(&mut header, "X X X X", 80)?;
        field(&mut header, &format!("Startdate {startdate} X X X"), 80)?;
        field(&mut header, &date, 8)?;
        field(&mut header, &clock, 8)?;
        field(&mut header, &(256 * (signals + 1)).to_string(), 8)?;
        field(&mut header, &format!("{plus}{}", if continuous { "C" } else { "D" }), 44)?;
        field(&mut header, &self.records.len().to_string(), 8)?;
        field(&mut header, &self.record_s, 8)?;
        field(&mut header, &signals.to_string(), 4)?;
        let annotations = format!("{} Annotations", &plus[..3]);
        let labels = self.signals.iter().map(|signal| cut(&signal.label, 16)).chain([annotations]);
        labels.into_iter().try_for_each(|label| field(&mut header, &label, 16))?;
        (0..signals).try_for_each(|_| field(&mut header, "", 80))?;
        let units = self.signals.iter().map(|signal| cut(&signal.unit, 8)).chain([String::new()]);
        units.into_iter().try_for_each(|unit| field(&mut header, &unit, 8))?;
        let [least, greatest] = self.kind.digital();
        for (end, of_annotations) in ["-1", "1"].into_iter().enumerate() {
            for signal in &self.signals {
                field(&mut header, &signal.physical[end], 8)?;
            }
            field(&mut header, of_annotations, 8)?;
        }
        for limit in [least, greatest] {
            (0..signals).try_for_each(|_| field(&mut header, &limit.to_string(), 8))?;
        }
        (0..signals).try_for_each(|_| field(&mut header, "", 80))?;
        for _ in &self.signals {
            field(&mut header, &self.samples_per_record.to_string(), 8)?;
        }
        field(&mut header, &annotation_samples.to_string(), 8)?;
        (0..signals).try_for_each(|_| field(&mut header, "", 32))?;
        out.write_all(&header)
    }
}

const MONTHS: [&str; 12] =
    ["JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"];

/// A header's field: printable ASCII, filled with spaces.
fn field(header: &mut Vec<u8>, text: &str, length: usize) -> io::Result<()> {
    if text.len() > length || !text.bytes().all(|byte| (32..=126).contains(&byte)) {
        let message = format!("{text:?} does not fit a field of {length} characters");
        return Err(io::Error::new(ErrorKind::InvalidInput, message));
    }
    header.extend_from_slice(text.as_bytes());
    header.resize(header.len() + length - text.len(), b' ');
    Ok(())
}

/// Text as a header can hold it: other characters than printable ASCII become `_`, what is too long is cut.
fn cut(text: &str, length: usize) -> String {
    let printable = |character: char| if (' '..='~').contains(&character) { character } else { '_' };
    text.chars().map(printable).take(length).collect()
}

/// Seconds with their sign and as many decimals as they have, nine at most.
fn instant(seconds: f64, signed: bool) -> String {
    let text = format!("{:.9}", seconds.abs());
    let text = text.trim_end_matches('0').trim_end_matches('.');
    let sign = match (signed, seconds < 0.0 && text != "0") {
        (_, true) => "-",
        (true, false) => "+",
        (false, false) => "",
    };
    format!("{sign}{text}")
}

/// A list of one annotation with its time stamp (section 2.2.2).
fn told(annotation: &EdfAnnotation) -> Vec<u8> {
    let mut bytes = instant(annotation.onset_s, true).into_bytes();
    if let Some(duration_s) = annotation.duration_s.filter(|duration_s| *duration_s >= 0.0) {
        bytes.push(0x15);
        bytes.extend_from_slice(instant(duration_s, false).as_bytes());
    }
    bytes.push(0x14);
    let plain = |character: char| if character.is_control() { ' ' } else { character };
    bytes.extend_from_slice(annotation.text.chars().map(plain).collect::<String>().as_bytes());
    bytes.extend_from_slice(b"\x14\0");
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_rounded_outwards_in_eight_characters() {
        for (value, down, up) in [
            (0.0, "0", "0"),
            (-123.456_789_1, "-123.457", "-123.456"),
            (123.456_789_1, "123.4567", "123.4568"),
            (0.001_234_567_89, "0.001234", "0.001235"),
            (-1e-9, "-0.00001", "-1.00e-9"),
            (12_345_678.4, "12345678", "12345679"),
            (-12_345_678.4, "-1.235e7", "-1.234e7"),
            (99_999_999.5, "99999999", "1.000e8"),
            (-32_768.0, "-32768", "-32768"),
        ] {
            for (text, rounded_up) in [(down, false), (up, true)] {
                let said = eight_characters(value, rounded_up);
                let read: f64 = said.parse().unwrap();
                assert!(said.len() <= 8, "{value}: {said}");
                assert!(if rounded_up { read >= value } else { read <= value }, "{value}: {said}");
                assert_eq!(said, text, "{value}");
            }
        }
    }

    #[test]
    fn instants_are_signed_and_end_where_their_digits_end() {
        for (seconds, text) in [
            (0.0, "+0"),
            (-0.0, "+0"),
            (12.5, "+12.5"),
            (-0.065, "-0.065"),
            (1e-10, "+0"),
            (3_600.123_456_789, "+3600.123456789"),
        ] {
            assert_eq!(instant(seconds, true), text);
        }
    }

    #[test]
    fn records_have_a_whole_number_of_samples_and_a_length_of_eight_characters() {
        for (rate_hz, signals, expected) in [
            (250.0, 8, Some(("1", 250))),
            (512.0, 1, Some(("1", 512))),
            (1000.0, 64, Some(("0.25", 250))),
            (62.5, 1, Some(("2", 125))),
            (0.1, 1, Some(("10", 1))),
            (333.333_333_3, 1, None),
        ] {
            let found = record_length(rate_hz, signals, EdfKind::Edf);
            assert_eq!(
                found.as_ref().map(|(text, samples)| (text.as_str(), *samples)),
                expected,
                "{rate_hz}"
            );
        }
    }

    #[test]
    fn starts_are_read_and_nonsense_is_not() {
        let start = EdfStart::parse("2028-02-29T21:30:05").unwrap();
        assert_eq!((start.year, start.month, start.day, start.second), (2028, 2, 29, 5));
        for text in [
            "2027-02-29T00:00:00",
            "1984-01-01T00:00:00",
            "2026-13-01T00:00:00",
            "2026-01-01T24:00:00",
            "2026-01-01",
            "2026-1-1T0:0:0",
            "2026-01-01T00:00:0x",
        ] {
            assert_eq!(EdfStart::parse(text), None, "{text}");
        }
    }

    /// Sections 2.1 and 2.2 byte by byte, for a file of two records with one between them left out.
    #[test]
    fn a_small_file_is_as_the_specification_says() {
        let file = EdfFile {
            kind: EdfKind::Edf,
            signals: vec![EdfSignal::whole(EdfKind::Edf, "eeg 0".into(), "uV".into(), [-5.0, 7.0]).unwrap()],
            samples_per_record: 3,
            record_s: "0.5".to_owned(),
            start: None,
            records: vec![0, 2],
            annotations: vec![
                EdfAnnotation { onset_s: 1.25, duration_s: Some(0.1), text: "tone\n1".into() },
                EdfAnnotation { onset_s: 0.5, duration_s: Some(0.5), text: "gap".into() },
            ],
        };
        let mut bytes = Vec::new();
        file.write(&mut bytes, |place, samples| {
            samples.copy_from_slice(&[-5, place as i32, 7]);
            Ok(())
        })
        .unwrap();
        let text =
            |from: usize, length: usize| String::from_utf8(bytes[from..from + length].to_vec()).unwrap();
        assert_eq!(text(0, 8), "0       ");
        assert_eq!(text(8, 80).trim_end(), "X X X X");
        assert_eq!(text(88, 80).trim_end(), "Startdate X X X X");
        assert_eq!(text(168, 16), "01.01.8500.00.00");
        assert_eq!((text(184, 8).trim_end(), text(192, 44).trim_end()), ("768", "EDF+D"));
        assert_eq!(
            (text(236, 8).trim_end(), text(244, 8).trim_end(), text(252, 4).trim_end()),
            ("2", "0.5", "2")
        );
        assert_eq!(text(256, 32), "eeg 0           EDF Annotations ");
        let annotation_samples: usize = text(256 + 2 * 216 + 8, 8).trim_end().parse().unwrap();
        let record = 6 + 2 * annotation_samples;
        assert_eq!(bytes.len(), 768 + 2 * record);
        assert_eq!(bytes[768..774], [0xfb, 0xff, 0, 0, 7, 0]);
        let list = |place: usize| {
            let list = &bytes[768 + place * record + 6..768 + (place + 1) * record];
            let end = list.iter().rposition(|&byte| byte != 0).unwrap();
            String::from_utf8(list[..=end].to_vec()).unwrap()
        };
        assert_eq!(list(0), "+0\u{14}\u{14}\0+0.5\u{15}0.5\u{14}gap\u{14}");
        assert_eq!(list(1), "+1\u{14}\u{14}\0+1.25\u{15}0.1\u{14}tone 1\u{14}");
    }

    #[test]
    fn every_value_errs_by_at_most_half_a_step() {
        for kind in [EdfKind::Edf, EdfKind::Bdf] {
            let signal = EdfSignal::spread(kind, String::new(), String::new(), [-187.654_321, 92.3]);
            let [low, high] = signal.physical.clone().map(|text| text.parse::<f64>().unwrap());
            let [least, greatest] = kind.digital().map(f64::from);
            for thousandth in 0..1000 {
                let value = -187.654_321 + 279.954_321 * f64::from(thousandth) / 999.0;
                // As a reader does it.
                let sample = f64::from(signal.sample(value));
                let read = low + (sample - least) * (high - low) / (greatest - least);
                assert!((read - value).abs() <= signal.step() * 0.500_001, "{value} {read}");
            }
        }
    }
}
