//! Rows of packets as they come from anything that can be read.

use std::io::{self, Read};

use tickseam_record::{Description, Packet, PacketRows};

/// Gives so many bytes at a time, and is interrupted before each.
struct Pieces<'a> {
    rest: &'a [u8],
    size: usize,
    interrupted: bool,
}

impl Read for Pieces<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.interrupted = !self.interrupted;
        if self.interrupted {
            return Err(io::ErrorKind::Interrupted.into());
        }
        let count = self.size.min(self.rest.len()).min(buffer.len());
        let (now, later) = self.rest.split_at(count);
        buffer[..count].copy_from_slice(now);
        self.rest = later;
        Ok(count)
    }
}

fn described() -> Description {
    let text = "format = 1\n[device_clock]\ntick_hz = 1000.0\ntick_bits = 16\n[[stream]]\nname = \"a\"\nrate_hz = 250.0\n\
                samples_per_packet = 10\nsequence_bits = 16\n[[stream]]\nname = \"b, c\"\nrate_hz = 50.0\nsamples_per_packet = 5\n\
                sequence_bits = 8\n";
    Description::from_toml(text, &mut Vec::new()).unwrap()
}

const ROWS: &str = "\
samples,note,tick,sequence,stream,host_ns
10,,7,65535,a,-5
5,\"two
lines\",,255,\"b, c\",9223372036854775807
10,é,65535,0,a,3\r
";

fn packets() -> Vec<Packet> {
    let packet =
        |host_ns, stream, sequence, tick, samples| Packet { host_ns, stream, sequence, tick, samples };
    vec![
        packet(-5, 0, 65_535, Some(7), 10),
        packet(i64::MAX, 1, 255, None, 5),
        packet(3, 0, 0, Some(65_535), 10),
    ]
}

fn read(
    header: Option<&str>,
    bytes: &[u8],
    size: usize,
    most: usize,
) -> (Vec<Packet>, Vec<String>, Result<(), String>) {
    let description = described();
    let source = Pieces { rest: bytes, size, interrupted: false };
    let rows = match header {
        Some(header) => PacketRows::with_header(header, source, "the pipe", &description),
        None => PacketRows::new(source, "the pipe", &description),
    };
    let (mut taken, mut notes) = (Vec::new(), Vec::new());
    let outcome = rows.and_then(|mut rows| {
        rows.for_each(&mut notes, |packet| {
            taken.push(packet);
            taken.len() < most
        })
    });
    (taken, notes.iter().map(ToString::to_string).collect(), outcome.map_err(|error| error.to_string()))
}

#[test]
fn packets_come_out_alike_however_the_bytes_are_cut() {
    for size in [1, 2, 7, 64, 1_000_000] {
        assert_eq!(read(None, ROWS.as_bytes(), size, usize::MAX), (packets(), Vec::new(), Ok(())), "{size}");
        let (header, rows) = ROWS.split_once('\n').unwrap();
        assert_eq!(
            read(Some(header), rows.as_bytes(), size, usize::MAX),
            (packets(), Vec::new(), Ok(())),
            "{size}"
        );
    }
}

#[test]
fn nothing_is_read_on_once_enough_were_taken() {
    let bytes = [ROWS.as_bytes(), b"nonsense\n"].concat();
    assert_eq!(read(None, &bytes, 1, 3), (packets(), Vec::new(), Ok(())));
    let (taken, _, outcome) = read(None, &bytes, 1, 4);
    assert_eq!(
        (taken, outcome),
        (packets(), Err("the pipe line 6: found 1 field, expected 6 as in the header".to_owned()))
    );
}

#[test]
fn a_torn_last_row_is_noted_and_a_cut_number_is_no_packet() {
    for torn in ["10,,8", "1"] {
        let header = "host_ns,stream,sequence,tick,samples";
        let text = format!("1,a,1,1,10\n2,a,2,2,{torn}");
        let (taken, notes, outcome) = read(Some(header), text.as_bytes(), 5, usize::MAX);
        assert_eq!((taken.len(), outcome), (1, Ok(())));
        assert_eq!(notes, ["the pipe line 2: the last line breaks off without a line end and was left out"]);
    }
}

#[test]
fn a_row_without_end_is_refused_before_it_fills_the_memory() {
    let endless = io::repeat(b'7');
    let description = described();
    let header = "host_ns,stream,sequence,tick,samples";
    let mut rows = PacketRows::with_header(header, endless, "the pipe", &description).unwrap();
    let refused = rows.for_each(&mut Vec::new(), |_| true).unwrap_err().to_string();
    assert_eq!(
        refused,
        "the pipe line 1: found a row of more than 65536 bytes, expected a shorter one (is a quote left open?)"
    );
}
