//! Segments that are none: the device's counters went on, though the host's clock or one of the counters said otherwise.
//!
//! While the host sleeps, its clock stands still, packets are lost, and the counters seem to come from the future. Where a
//! tick jumps, the sequence goes on. The intake, which believes neither, opens a segment for both. Two packets in a row
//! then agree on their counters, and these tell whether the device restarted.

use std::collections::HashMap;

use tickseam_record::{Description, Packets};

use crate::resolve::{NOWHERE, Places, stream_config};

/// A phone does not sleep for longer than this between two packets of a session, s: own choice. A counter that takes longer for one
/// turn is believed across sleep.
pub(crate) const LONGEST_SLEEP_S: f64 = 3_600.0;

/// A device that restarted in a silence cannot have counted for longer than the silence and this, s: packets that its queue
/// held back while the host could not take them.
const HELD_BACK_S: f64 = 2.0;

/// Packets by which a sequence may go on across a jump of the tick: half of the intake's own reach for packets that a tick
/// bears out.
const MOST_PACKETS: i64 = 32;

/// How far the host's clock may differ from the time that packets take by their numbers, s: what delivery commonly varies by, as the
/// intake has it.
pub(crate) const ON_TIME_S: f64 = 0.25;

/// A silence is one of those that come all the time, as of an app that hands packets over in batches, if so many as long came among so many
/// packets before (own choice).
const OFTEN: usize = 3;
const LATELY: usize = 200;

/// How far packets may be off the count that ticks foretell: half of one, and what is rounded.
const AGREES: f64 = 0.6;

/// Share of a sequence's turn within which its number may agree with the ticks for that not to be chance.
const BY_CHANCE: f64 = 0.01;

/// Packets after which their length in ticks counts as measured, and how far it may be off before.
const MEASURED: i64 = 1_000;
const UNMEASURED: f64 = 100e-6;

/// Ticks by which a counter that turned while a phone slept may be off where the sequence foretells it, besides what the packets' length is off
/// by: both of its ends are rounded (own choice). Doubled: so much likelier that a restart is taken for sleep.
const TICKS_OFF: f64 = 4.0;

/// Streams see one jump of the tick within this, ns: the time that the slowest takes to fill its packets.
const ONE_JUMP_NS: u64 = 10_000_000_000;

/// A jump of the device's tick while its samples went on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TickStep {
    /// Segment that it lies in.
    pub segment: u32,
    /// First packet after it.
    pub row: u32,
    /// By how much, in ticks; positive: forward.
    pub ticks: i64,
}

/// A packet with its place, and the first one of its segment and stream.
#[derive(Clone, Copy)]
struct Newest {
    row: usize,
    first: usize,
}

struct Rejoin<'a> {
    description: &'a Description,
    packets: &'a Packets<'a>,
    places: &'a mut Places,
    /// What a segment of the intake becomes.
    becomes: HashMap<u32, u32>,
    /// What is to be added to index and device count of a stream in such a segment.
    shifts: HashMap<(u32, usize), (i64, i64)>,
    newest: HashMap<(u32, usize), Newest>,
    /// For a segment of the intake that is none, the packet that decided so.
    decided: HashMap<u32, Decided>,
    /// What is added to the tick of the newest packets of a segment, for all jumps of the tick up to them.
    tick_shift: HashMap<u32, i64>,
}

/// The packet that decided that the counters went on.
#[derive(Clone, Copy)]
struct Decided {
    row: usize,
    /// What is added to the tick before it, and from it on.
    shift_before: i64,
    shift: i64,
    /// Ticks of the whole turns that the counter made before it, as its sequence tells.
    turned: i64,
}

/// How the counters of a segment's first packet go on from where they were.
#[derive(Clone, Copy)]
struct GoesOn {
    /// What is added to its tick for that.
    shift: i64,
    /// As [`Decided::turned`].
    turned: i64,
}

/// Joins what belongs together and numbers the segments anew. Causal: only the first two packets of a segment and what came
/// before them count.
pub(crate) fn rejoin(description: &Description, packets: &Packets<'_>, places: &mut Places) {
    if places.segment.iter().all(|&segment| segment == 0 || segment == NOWHERE) {
        return;
    }
    let mut rejoin = Rejoin {
        description,
        packets,
        places,
        becomes: HashMap::from([(0, 0)]),
        shifts: HashMap::new(),
        newest: HashMap::new(),
        decided: HashMap::new(),
        tick_shift: HashMap::new(),
    };
    for row in 0..packets.len() {
        if rejoin.places.segment[row] != NOWHERE {
            rejoin.take(row);
        }
    }
}

impl Rejoin<'_> {
    fn take(&mut self, row: usize) {
        let stream = usize::from(self.packets.stream()[row]);
        let segment = self.places.segment[row];
        let becomes = match self.becomes.get(&segment) {
            Some(&becomes) => becomes,
            None => {
                let newest = self.becomes.values().copied().max().unwrap_or(0);
                let goes_on = self.goes_on(newest, stream, row);
                if let Some(GoesOn { shift, turned }) = goes_on {
                    let shift_before = self.tick_shift.insert(newest, shift).unwrap_or(0);
                    self.decided.insert(segment, Decided { row, shift_before, shift, turned });
                }
                let becomes = if goes_on.is_some() { newest } else { newest + 1 };
                self.becomes.insert(segment, becomes);
                becomes
            }
        };
        let (index_shift, device_shift) = match self.shifts.get(&(segment, stream)) {
            Some(&shift) => shift,
            None if self.straggles(segment, becomes, stream, row) => {
                let shift = self.decided.get(&segment).map_or(0, |decided| decided.shift_before);
                self.shift(Decided { row, shift_before: shift, shift, turned: 0 }, becomes, stream, row)
            }
            None => {
                let shift = match self.decided.get(&segment) {
                    Some(&decided) => self.shift(decided, becomes, stream, row),
                    None => (0, 0),
                };
                self.shifts.insert((segment, stream), shift);
                shift
            }
        };
        self.places.segment[row] = becomes;
        self.places.index[row] += index_shift;
        self.places.device[row] += device_shift;
        let newest = self.newest.get(&(becomes, stream)).copied().unwrap_or(Newest { row, first: row });
        let index = &self.places.index;
        if index[row] >= index[newest.row] && self.clocked(row) >= self.clocked(newest.row) {
            self.newest.insert((becomes, stream), Newest { row, ..newest });
        }
    }

    fn clocked(&self, row: usize) -> bool {
        self.packets.tick(row).is_some()
    }

    fn tick_turn(&self) -> Option<i64> {
        1_i64.checked_shl(u32::from(self.description.device_clock.tick_bits?)).filter(|&turn| turn > 0)
    }

    fn sequence_turn(&self, stream: usize) -> i64 {
        1 << self.description.streams[stream].sequence_bits
    }

    fn period_s(&self, stream: usize) -> f64 {
        stream_config(&self.description.streams[stream]).period_s()
    }

    /// Length of a packet in ticks, and how far it may be off as a share.
    fn packet_ticks(&self, newest: Newest, stream: usize) -> (f64, f64) {
        let tick_hz = self.description.device_clock.tick_hz.unwrap_or(0.0);
        let packets = self.places.index[newest.row] - self.places.index[newest.first];
        if packets < MEASURED || !self.clocked(newest.first) {
            return (self.period_s(stream) * tick_hz, UNMEASURED);
        }
        let ticks = (self.places.device[newest.row] - self.places.device[newest.first]) as f64;
        (ticks / packets as f64, 2.0 / ticks)
    }

    /// Whether the counters of a segment's first packet go on from where they were, and how.
    fn goes_on(&self, before: u32, stream: usize, row: usize) -> Option<GoesOn> {
        let newest = *self.newest.get(&(before, stream))?;
        let host_ns = self.packets.host_ns();
        let silence_s = host_ns[row].saturating_sub(host_ns[newest.row]) as f64 / 1e9;
        let counted_s = silence_s.max(0.0) + HELD_BACK_S;
        let sequence = i64::from(self.packets.sequence()[row]);
        let period_s = self.period_s(stream);
        let small_sequence = sequence as f64 * period_s < counted_s;
        let turn = self.sequence_turn(stream);
        let ahead = (sequence - self.places.index[newest.row]).rem_euclid(turn);
        let tick_hz = self.description.device_clock.tick_hz;
        let (Some(tick), Some(tick_hz), true) = (self.packets.tick(row), tick_hz, self.clocked(newest.row))
        else {
            // Without a tick: a number that no restarted device can have reached, not too far ahead.
            let told = turn >= 1 << 16 && ahead > 0 && ahead < turn / 8;
            return (told && !small_sequence).then_some(GoesOn { shift: 0, turned: 0 });
        };
        if small_sequence && (tick as f64) < counted_s * tick_hz {
            return None;
        }
        let (packet_ticks, off) = self.packet_ticks(newest, stream);
        let shift_before = self.tick_shift.get(&before).copied().unwrap_or(0);
        let ticks_ahead = self.ticks_ahead(row, shift_before, newest)?;
        let foretold = ticks_ahead as f64 / packet_ticks;
        let nearest = ahead as f64 + ((foretold - ahead as f64) / turn as f64).round() * turn as f64;
        let within = AGREES + off * foretold;
        let gone_back = self.tick_turn().is_some_and(|turn| ticks_ahead > turn / 2);
        // Behind where it was, and the host's clock knows nothing of the days that the rest of its turn takes: it counts anew.
        let anew = gone_back && ticks_ahead as f64 / tick_hz - silence_s.max(0.0) > LONGEST_SLEEP_S;
        let agrees = !anew && ticks_ahead > 0 && nearest > 0.0 && (foretold - nearest).abs() < within;
        let late_s = (ahead as f64 * period_s - silence_s).abs();
        let on_time = late_s < ON_TIME_S + period_s || late_s < silence_s && self.comes_often(row, silence_s);
        let next = ahead > 0 && ahead <= MOST_PACKETS && on_time;
        // A packet that comes next and on time has no hours before it, unless the counters can hardly agree on them by chance; and a
        // tick that is more than half a turn ahead has gone back.
        let by_chance = gone_back || 2.0 * within >= BY_CHANCE * turn as f64;
        if agrees && (!next || nearest == ahead as f64 || !by_chance) {
            return Some(GoesOn { shift: shift_before, turned: 0 });
        }
        if let Some(turned) = self.turned(ahead, (packet_ticks, off), ticks_ahead)
            && ahead as f64 * period_s - silence_s.max(0.0) < LONGEST_SLEEP_S
        {
            return Some(GoesOn { shift: shift_before, turned });
        }
        next.then(|| {
            let shift = (ahead as f64 * packet_ticks).round() as i64 - ticks_ahead;
            // The tick may have jumped either way: the shorter one.
            let shift = self.tick_turn().map_or(shift, |turn| (shift + turn / 2).rem_euclid(turn) - turn / 2);
            GoesOn { shift: shift_before + shift, turned: 0 }
        })
    }

    /// Whether silences as long as the one before a packet come all the time, whatever the stream.
    fn comes_often(&self, row: usize, silence_s: f64) -> bool {
        let before = &self.packets.host_ns()[row.saturating_sub(LATELY)..row];
        let as_long = |pair: &&[i64]| pair[1].saturating_sub(pair[0]) as f64 / 1e9 > 0.9 * silence_s;
        before.windows(2).filter(as_long).count() >= OFTEN
    }

    /// Ticks of the whole turns that a tick made which lies so many ahead, all but those, of a packet that is so many packets before;
    /// `None` where the two do not agree far better than by chance.
    fn turned(&self, packets: i64, (packet_ticks, off): (f64, f64), ticks_ahead: i64) -> Option<i64> {
        let turn = self.tick_turn()?;
        let foretold = packets as f64 * packet_ticks;
        let turned = ((foretold - ticks_ahead as f64) / turn as f64).round() as i64 * turn;
        let within = TICKS_OFF + off * foretold;
        let agrees = packets > 0 && (foretold - (ticks_ahead + turned) as f64).abs() < within;
        (turned > 0 && agrees && 2.0 * within < BY_CHANCE * turn as f64).then_some(turned)
    }

    /// How far the tick of a packet, with so much added, lies ahead of a packet that has its place.
    fn ticks_ahead(&self, row: usize, shift: i64, newest: Newest) -> Option<i64> {
        let device = &self.places.device;
        let ahead = device[row].checked_add(shift)?.checked_sub(device[newest.row])?;
        Some(self.tick_turn().map_or(ahead, |turn| ahead.rem_euclid(turn)))
    }

    /// Whether a packet of another stream than the one that saw the tick jump still has a tick from before: its first sample was
    /// taken then, and it came later since it took longer to fill.
    fn straggles(&self, segment: u32, becomes: u32, stream: usize, row: usize) -> bool {
        let Some(&decided) = self.decided.get(&segment) else { return false };
        let Some(&newest) = self.newest.get(&(becomes, stream)) else { return false };
        let jumped = decided.shift != decided.shift_before;
        if !jumped || decided.row == row || !self.clocked(row) || !self.clocked(newest.row) {
            return false;
        }
        let Some(ticks_ahead) = self.ticks_ahead(row, decided.shift_before, newest) else { return false };
        let turn = self.sequence_turn(stream);
        let sequence = i64::from(self.packets.sequence()[row]);
        let ahead = (sequence - self.places.index[newest.row]).rem_euclid(turn);
        let (packet_ticks, off) = self.packet_ticks(newest, stream);
        let foretold = ticks_ahead as f64 / packet_ticks;
        ahead > 0 && ahead <= MOST_PACKETS && (foretold - ahead as f64).abs() < AGREES + off * foretold
    }

    /// Notes a jump of the tick, unless another stream has seen the same one.
    fn note_step(&mut self, step: TickStep, stream: usize) {
        let host_ns = self.packets.host_ns();
        let packet_ticks = self.period_s(stream) * self.description.device_clock.tick_hz.unwrap_or(0.0);
        let same = |seen: &TickStep| {
            let apart_ns = host_ns[step.row as usize].abs_diff(host_ns[seen.row as usize]);
            let apart_ticks = seen.ticks.abs_diff(step.ticks) as f64;
            seen.segment == step.segment && apart_ns < ONE_JUMP_NS && apart_ticks < AGREES * packet_ticks
        };
        if !self.places.tick_steps.last().is_some_and(same) {
            self.places.tick_steps.push(step);
        }
    }

    /// What is to be added to a stream's index and device count in a segment of the intake, of which one packet decided that the
    /// counters went on.
    fn shift(&mut self, decided: Decided, becomes: u32, stream: usize, row: usize) -> (i64, i64) {
        let newest = self.newest.get(&(becomes, stream)).copied();
        let turn = self.sequence_turn(stream);
        let index = self.places.index[row];
        let samples = i64::from(self.description.streams[stream].samples_per_packet);
        let Some(newest) = newest else {
            return (0, decided.shift);
        };
        let newest_index = self.places.index[newest.row];
        if !self.clocked(row) || !self.clocked(newest.row) {
            let index_shift = newest_index + (index - newest_index).rem_euclid(turn) - index;
            let device_shift = if self.clocked(row) { decided.shift } else { index_shift * samples };
            return (index_shift, device_shift);
        }
        // All streams share the tick: those that follow the one that decided lie near it.
        let near = self.places.device[if decided.row == row { newest.row } else { decided.row }];
        let moved = self.places.device[row] + decided.shift;
        let device = match self.tick_turn() {
            Some(ticks) if decided.row == row => near + (moved - near).rem_euclid(ticks) + decided.turned,
            Some(ticks) => near + (moved - near + ticks / 2).rem_euclid(ticks) - ticks / 2,
            None => moved,
        };
        let jump = decided.shift_before - decided.shift;
        if decided.row == row && jump != 0 {
            let row = u32::try_from(row).unwrap_or(NOWHERE);
            self.note_step(TickStep { segment: becomes, row, ticks: jump }, stream);
        }
        let (packet_ticks, _) = self.packet_ticks(newest, stream);
        let foretold = ((device - self.places.device[newest.row]) as f64 / packet_ticks).round() as i64;
        let ahead = foretold + (index - newest_index - foretold + turn / 2).rem_euclid(turn) - turn / 2;
        (newest_index + ahead - index, device - self.places.device[row])
    }
}
