//! A simulated session as a recording folder would hold it.

use std::io::{self, Write};

use tickseam_record::{
    Description, DeviceClock, Event, EventLatency, Exchange, HostClock, Link, Marker, Packet, Recording,
    Stream, Truth, write_npy_header,
};
use tickseam_sim::{Samples, Simulated};

/// Writes simulated samples as `<stream>.npy`, a packet at a time: `f4`, in µV.
///
/// # Errors
/// Whatever the operating system refuses.
pub fn write_samples(samples: &Samples, out: &mut dyn Write) -> io::Result<()> {
    write_npy_header(out, "<f4", &[samples.packets(), samples.room, samples.channels])?;
    let (mut values, mut bytes) = (Vec::new(), Vec::new());
    for place in 0..samples.packets() {
        samples.packet(place, &mut values);
        bytes.clear();
        bytes.extend(values.iter().flat_map(|value| value.to_le_bytes()));
        out.write_all(&bytes)?;
    }
    Ok(())
}

/// The recording that a simulated session leaves, truth included.
///
/// # Errors
/// A number too large for the recording format, with its name.
pub fn recording(session: &Simulated) -> Result<Recording, String> {
    let said = &session.description;
    let narrow = |what: &str, number: u64, most: u64| {
        if number <= most {
            Ok(number)
        } else {
            Err(format!("{what}: found {number}, expected at most {most}"))
        }
    };
    let mut streams = Vec::new();
    for stream in &said.streams {
        let samples =
            narrow("stream.samples_per_packet", u64::from(stream.samples_per_packet), u64::from(u16::MAX))?;
        streams.push(Stream {
            name: stream.name.clone(),
            rate_hz: stream.rate_hz,
            samples_per_packet: samples as u16,
            sequence_bits: narrow("stream.sequence_bits", u64::from(stream.sequence_bits), 32)? as u8,
        });
    }
    narrow("stream", streams.len() as u64, tickseam_record::MOST_STREAMS as u64)?;
    let ticks = session.packets.iter().any(|packet| packet.tick.is_some())
        || !session.exchanges.is_empty()
        || !session.markers.is_empty();
    let description = Description {
        device_clock: DeviceClock {
            tick_hz: ticks.then_some(said.tick_hz),
            tick_bits: if ticks {
                Some(narrow("device.tick_bits", u64::from(said.tick_bits), 64)? as u8)
            } else {
                None
            },
            tolerance_ppm: said.tolerance_ppm,
        },
        host_clock: HostClock { resolution_ns: said.resolution_ns },
        link: Link {
            fixed_delay_ms: said.fixed_delay_ms,
            fixed_delay_u_ms: said.fixed_delay_u_ms,
            connection_interval_ms: said.connection_interval_ms,
        },
        streams,
        event_latency: said
            .event_latencies
            .iter()
            .map(|said| {
                let latency = EventLatency { latency_ms: said.latency_ms, latency_u_ms: said.latency_u_ms };
                (said.label.clone(), latency)
            })
            .collect(),
    };
    let packets = session
        .packets
        .iter()
        .map(|packet| Packet {
            host_ns: packet.host_ns,
            // Stream count, sequence width and packet size were all found to fit above.
            stream: packet.stream as u8,
            sequence: packet.sequence as u32,
            tick: packet.tick,
            samples: packet.samples as u16,
        })
        .collect();
    Ok(Recording {
        description,
        packets,
        events: session
            .events
            .iter()
            .map(|event| Event {
                host_ns: event.host_ns,
                label: event.label.clone(),
                duration_ms: event.duration_ms,
            })
            .collect(),
        exchanges: session
            .exchanges
            .iter()
            .map(|exchange| Exchange {
                origin_ns: exchange.origin_ns,
                receive_tick: exchange.receive_tick,
                transmit_tick: exchange.transmit_tick,
                destination_ns: exchange.destination_ns,
            })
            .collect(),
        markers: session
            .markers
            .iter()
            .map(|marker| Marker { host_ns: marker.host_ns, tick: marker.tick })
            .collect(),
        truth: Some(
            session
                .truth
                .events
                .iter()
                .filter_map(|event| {
                    Some(Truth {
                        host_ns: event.host_ns,
                        label: event.label.clone(),
                        segment: event.segment,
                        onset_s: event.onset_s?,
                    })
                })
                .collect(),
        ),
        notes: Vec::new(),
    })
}
