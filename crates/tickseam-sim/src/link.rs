//! The radio link: when each packet is received by the phone's radio, if ever.

use std::collections::VecDeque;

use crate::air::{self, INTER_FRAME_SPACE_US};
use crate::device::{Device, PacketId, Packets, Ready};
use crate::radio::{Hops, OtherLinks};
use crate::random::{Purpose, Random};
use crate::scenario::{Fault, LinkKind, Noise, QueueFull, ReplyStamp, Scenario};

/// A packet and when it went on its way, in host seconds.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sent {
    pub(crate) id: PacketId,
    /// When it went into the transmit queue.
    pub(crate) ready_s: f64,
    /// Anchor of the connection event in which it was first sent.
    pub(crate) event_s: f64,
    /// The connection event that was the headset's newest when the packet went into the queue; none before the first.
    pub(crate) newest_event: Option<HeldEvent>,
}

/// A connection event that the headset took part in.
#[derive(Debug, Clone, Copy)]
pub(crate) struct HeldEvent {
    /// Its anchor, in host seconds.
    pub(crate) anchor_s: f64,
    /// Its number since the connection began; it wraps.
    pub(crate) counter: u16,
}

/// A packet that the phone's radio has received whole.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Received {
    pub(crate) sent: Sent,
    pub(crate) at_s: f64,
}

/// A request of the phone, and what has become of it; times are host seconds.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Request {
    pub(crate) origin_s: f64,
    pub(crate) received_s: f64,
    pub(crate) replied_s: f64,
    /// When the radio received the reply; none while it has not.
    pub(crate) returned_s: Option<f64>,
}

/// What the link counted.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct LinkCounts {
    pub(crate) events: u64,
    pub(crate) events_yielded: u64,
    pub(crate) connections_lost: u64,
    pub(crate) attempts: u64,
    pub(crate) failures: u64,
    pub(crate) queue_drops: u64,
    pub(crate) outage_drops: u64,
    pub(crate) air_losses: u64,
    pub(crate) unsent: u64,
    pub(crate) first_opportunity: u64,
    pub(crate) wait_sum_s: f64,
    pub(crate) sending_s: f64,
    pub(crate) receiving_s: f64,
}

/// A time during which one connection holds, with its anchors.
#[derive(Debug, Clone, Copy)]
struct Phase {
    from_s: f64,
    to_s: f64,
    anchor_s: f64,
    interval_s: f64,
    /// Whether the queue is emptied before it: a new connection, not a new interval.
    fresh: bool,
}

/// Intervals of host seconds in order, not overlapping.
pub(crate) struct Spans(Vec<(f64, f64)>);

impl Spans {
    pub(crate) fn new(mut spans: Vec<(f64, f64)>) -> Spans {
        spans.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut merged: Vec<(f64, f64)> = Vec::with_capacity(spans.len());
        for (from, to) in spans {
            match merged.last_mut() {
                Some(last) if from <= last.1 => last.1 = last.1.max(to),
                _ => merged.push((from, to)),
            }
        }
        Spans(merged)
    }

    /// End of the span that holds this second.
    pub(crate) fn end_of(&self, at_s: f64) -> Option<f64> {
        let after = self.0.partition_point(|span| span.0 <= at_s);
        let (_, to) = *self.0.get(after.checked_sub(1)?)?;
        (at_s < to).then_some(to)
    }
}

/// Good and bad states of the channel, after Gilbert and Elliott, and fades.
struct Channel<'a> {
    scenario: &'a Scenario,
    errors: Random,
    bursts: Random,
    bad: bool,
    fades: Spans,
    faded: bool,
    hops: Hops,
    bad_channel: bool,
}

impl<'a> Channel<'a> {
    fn new(scenario: &'a Scenario, seed: u64) -> Channel<'a> {
        let link = &scenario.link;
        let mut random = Random::new(seed, Purpose::Fades);
        let mut fades = Vec::new();
        if link.fades_per_hour > 0.0 {
            let mut at_s = random.exponential(3600.0 / link.fades_per_hour);
            while at_s < scenario.duration_s {
                let end_s = at_s + random.exponential(link.fade_s);
                fades.push((at_s, end_s));
                at_s = end_s + random.exponential(3600.0 / link.fades_per_hour);
            }
        }
        Channel {
            scenario,
            errors: Random::new(seed, Purpose::Channel),
            bursts: Random::new(seed, Purpose::Bursts),
            bad: false,
            fades: Spans::new(fades),
            faded: false,
            hops: Hops::new(link),
            bad_channel: false,
        }
    }

    /// The state for the connection event, slot or packet at `at_s`.
    fn advance(&mut self, at_s: f64) {
        let link = &self.scenario.link;
        if link.burst_probability > 0.0 {
            let change = if self.bad { 1.0 / link.burst_events } else { link.burst_probability };
            if self.bursts.chance(change) {
                self.bad = !self.bad;
            }
        }
        self.faded = self.fades.end_of(at_s).is_some();
        self.bad_channel = self.hops.next_is_bad();
    }

    fn fails(&mut self) -> bool {
        let link = &self.scenario.link;
        let mut rate = if self.bad { link.burst_error_rate } else { link.error_rate };
        if self.bad_channel {
            rate = 1.0 - (1.0 - rate) * (1.0 - link.bad_channel_error_rate);
        }
        let drawn = self.errors.chance(rate);
        drawn || self.faded
    }
}

/// Times on the air, in seconds.
pub(crate) struct Airtime {
    poll_s: f64,
    space_s: f64,
    /// For each stream, and last for replies: each link layer packet's duration.
    packets_s: Vec<Vec<f64>>,
    request_s: f64,
}

impl Airtime {
    fn new(scenario: &Scenario) -> Airtime {
        let link = &scenario.link;
        if link.kind != LinkKind::ConnectionEvents {
            let each_s = link.slot_air_ms * 1e-3;
            let packets_s = vec![vec![each_s]; scenario.streams.len() + 1];
            return Airtime { poll_s: 0.0, space_s: 0.0, packets_s, request_s: 0.0 };
        }
        let mic_octets = if link.encrypted { 4 } else { 0 };
        let duration_s =
            |octets: u32| f64::from(air::packet_duration_us(link.phy, octets, mic_octets)) * 1e-6;
        let value_s = |value_octets: u32| {
            let fragments = air::fragments_octets(value_octets, link.largest_payload_octets);
            fragments.into_iter().map(duration_s).collect::<Vec<f64>>()
        };
        let mut packets_s: Vec<Vec<f64>> =
            scenario.streams.iter().map(|stream| value_s(stream.value_octets)).collect();
        packets_s.push(value_s(scenario.exchanges.value_octets));
        Airtime {
            poll_s: f64::from(air::packet_duration_us(link.phy, 0, 0)) * 1e-6,
            space_s: f64::from(INTER_FRAME_SPACE_US) * 1e-6,
            packets_s,
            request_s: value_s(scenario.exchanges.value_octets).iter().sum(),
        }
    }

    /// From the start of the first exchange to the last bit of the packet when nothing fails, in seconds.
    pub(crate) fn least_s(&self, stream: usize) -> f64 {
        let mut sum_s = 0.0;
        for (place, fragment_s) in self.packets_s[stream].iter().enumerate() {
            if place > 0 {
                sum_s += self.space_s;
            }
            sum_s += self.poll_s + self.space_s + fragment_s;
        }
        sum_s
    }
}

/// Least time from ready to received for each stream, in seconds.
pub(crate) fn least_link_s(scenario: &Scenario) -> Vec<f64> {
    let airtime = Airtime::new(scenario);
    (0..scenario.streams.len())
        .map(|stream| match scenario.link.kind {
            LinkKind::ConnectionEvents | LinkKind::TimeSlots => airtime.least_s(stream),
            LinkKind::Constant | LinkKind::OneSided => scenario.link.least_ms * 1e-3,
        })
        .collect()
}

/// What the link made of a session.
pub(crate) struct Outcome {
    /// In order of reception.
    pub(crate) received: Vec<Received>,
    pub(crate) requests: Vec<Request>,
    pub(crate) counts: LinkCounts,
    /// Packets that became ready, by stream.
    pub(crate) made: Vec<u64>,
}

/// A packet or reply in the headset's transmit queue.
#[derive(Debug, Clone, Copy)]
struct Queued {
    load: Load,
    ready_s: f64,
    newest_event: Option<HeldEvent>,
    sent_fragments: usize,
    /// Anchor of the event in which it was first sent; none as long as it was not.
    tried_s: Option<f64>,
}

impl Queued {
    const fn new(load: Load, ready_s: f64, newest_event: Option<HeldEvent>) -> Queued {
        Queued { load, ready_s, newest_event, sent_fragments: 0, tried_s: None }
    }
}

#[derive(Debug, Clone, Copy)]
enum Load {
    Packet(PacketId),
    Reply(usize),
}

/// The running link.
struct Link<'a> {
    scenario: &'a Scenario,
    packets: Packets<'a>,
    channel: Channel<'a>,
    blocked: Spans,
    requests: Vec<Request>,
    /// Next request that has not reached the headset.
    next_request: usize,
    replies: VecDeque<Queued>,
    dither: Random,
    downlink: Random,
    received: Vec<Received>,
    counts: LinkCounts,
    other_links: OtherLinks,
    reconnection: Random,
    newest_event: Option<HeldEvent>,
}

/// Runs the link over the session.
pub(crate) fn run(scenario: &Scenario, device: &Device<'_>, requests_at_s: &[f64], seed: u64) -> Outcome {
    let blocked = scenario
        .faults
        .iter()
        .filter_map(|fault| match fault {
            Fault::HostSuspend { at_s, for_s } | Fault::Silence { at_s, for_s } => {
                Some((*at_s, at_s + for_s))
            }
            _ => None,
        })
        .collect();
    let mut link = Link {
        scenario,
        packets: device.packets(seed),
        channel: Channel::new(scenario, seed),
        blocked: Spans::new(blocked),
        requests: requests_at_s
            .iter()
            .map(|at_s| Request { origin_s: *at_s, received_s: 0.0, replied_s: 0.0, returned_s: None })
            .collect(),
        next_request: 0,
        replies: VecDeque::new(),
        dither: Random::new(seed, Purpose::ReplyDither),
        downlink: Random::new(seed, Purpose::Downlink),
        received: Vec::new(),
        counts: LinkCounts::default(),
        other_links: OtherLinks::new(scenario, seed),
        reconnection: Random::new(seed, Purpose::Reconnection),
        newest_event: None,
    };
    let phases = phases(scenario, seed);
    match scenario.link.kind {
        LinkKind::ConnectionEvents | LinkKind::TimeSlots => link.run_events(phases),
        LinkKind::Constant | LinkKind::OneSided => link.run_direct(&phases, seed),
    }
    Outcome {
        received: link.received,
        requests: link.requests,
        counts: link.counts,
        made: link.packets.made().to_vec(),
    }
}

/// The connections of a session, split by outages and interval changes.
fn phases(scenario: &Scenario, seed: u64) -> Vec<Phase> {
    let mut random = Random::new(seed, Purpose::Phase);
    // The first number of this stream is the device's phase.
    random.uniform();
    let rate = 1.0 + scenario.link.radio_ppm * 1e-6;
    let mut interval_s = scenario.link.interval_ms * 1e-3 / rate;
    let mut phases = vec![Phase {
        from_s: 0.0,
        to_s: scenario.duration_s,
        anchor_s: random.uniform() * interval_s,
        interval_s,
        fresh: true,
    }];
    let mut faults: Vec<&Fault> = scenario.faults.iter().collect();
    faults.sort_by(|a, b| a.at_s().total_cmp(&b.at_s()));
    for fault in faults {
        let (at_s, back_s, new_ms, fresh) = match fault {
            Fault::Reboot { at_s, off_s } => (*at_s, at_s + off_s, None, true),
            Fault::Disconnection { at_s, off_s, interval_ms } => (*at_s, at_s + off_s, *interval_ms, true),
            Fault::IntervalChange { at_s, interval_ms } => (*at_s, *at_s, Some(*interval_ms), false),
            _ => continue,
        };
        let old_anchor_s = phases.last().map_or(0.0, |phase| {
            let passed = ((at_s - phase.anchor_s) / phase.interval_s).ceil().max(0.0);
            phase.anchor_s + passed * phase.interval_s
        });
        if let Some(last) = phases.last_mut() {
            last.to_s = if fresh { at_s } else { old_anchor_s };
        }
        if let Some(new_ms) = new_ms {
            interval_s = new_ms * 1e-3 / rate;
        }
        let anchor_s = if fresh {
            back_s + random.uniform() * interval_s
        } else {
            // The window offset of a connection update: a whole number of 1.25 ms units (Vol 6 Part B 5.1.1).
            let units = (random.uniform() * (interval_s / 1.25e-3 + 1.0)).floor();
            old_anchor_s + units * 1.25e-3 / rate
        };
        let from_s = if fresh { back_s } else { old_anchor_s };
        phases.push(Phase { from_s, to_s: scenario.duration_s, anchor_s, interval_s, fresh });
    }
    phases
}

impl Link<'_> {
    /// Puts everything that is ready by `at_s` into the queue, in order.
    fn admit(&mut self, queue: &mut VecDeque<Queued>, at_s: f64) {
        loop {
            let reply_s = self.replies.front().map_or(f64::INFINITY, |reply| reply.ready_s);
            if let Some(Ready { id, ready_s }) = self.packets.take_until(reply_s.min(at_s)) {
                self.enqueue(queue, Queued::new(Load::Packet(id), ready_s, self.newest_event));
            } else if reply_s <= at_s
                && let Some(reply) = self.replies.pop_front()
            {
                self.enqueue(queue, reply);
            } else {
                return;
            }
        }
    }

    fn enqueue(&mut self, queue: &mut VecDeque<Queued>, item: Queued) {
        if queue.len() < self.scenario.device.queue_packets {
            queue.push_back(item);
            return;
        }
        let dropped = match self.scenario.device.queue_full {
            QueueFull::DropNewest => Some(item),
            QueueFull::DropOldest => {
                let oldest = queue.iter().position(|queued| queued.tried_s.is_none());
                let dropped = oldest.and_then(|place| queue.remove(place));
                if dropped.is_some() {
                    queue.push_back(item);
                    dropped
                } else {
                    Some(item)
                }
            }
        };
        if let Some(Queued { load: Load::Packet(_), .. }) = dropped {
            self.counts.queue_drops += 1;
        }
    }

    /// Takes what becomes ready before `until_s` and loses it: there is no connection.
    fn lose_until(&mut self, queue: &mut VecDeque<Queued>, until_s: f64) {
        let packets = queue.iter().filter(|queued| matches!(queued.load, Load::Packet(_))).count();
        self.counts.outage_drops += packets as u64;
        queue.clear();
        while self.packets.take_until(until_s).is_some() {
            self.counts.outage_drops += 1;
        }
        self.replies.retain(|reply| reply.ready_s > until_s);
        while self.requests.get(self.next_request).is_some_and(|request| request.origin_s < until_s) {
            self.next_request += 1;
        }
    }

    /// Connection events or time slots on their grid.
    fn run_events(&mut self, phases: Vec<Phase>) {
        let scenario = self.scenario;
        let link = &scenario.link;
        let airtime = Airtime::new(scenario);
        let slots = link.kind == LinkKind::TimeSlots;
        let mut queue = VecDeque::new();
        let mut skipped = 0;
        let mut phases = VecDeque::from(phases);
        // When the other side was last heard.
        let mut heard_s = 0.0;
        while let Some(phase) = phases.pop_front() {
            if phase.fresh {
                self.lose_until(&mut queue, phase.from_s);
                self.newest_event = None;
                skipped = 0;
                heard_s = phase.anchor_s;
            }
            let mut until_s = phase.to_s;
            let interval_s = phase.interval_s;
            let length_s = link.event_length_ms.map_or(interval_s, |ms| (ms * 1e-3).min(interval_s));
            let mut count = 0_u64;
            loop {
                let anchor_s = phase.anchor_s + count as f64 * interval_s;
                count += 1;
                if anchor_s >= phase.to_s {
                    break;
                }
                let lost_s = link.supervision_timeout_ms.map_or(f64::INFINITY, |ms| heard_s + ms * 1e-3);
                if anchor_s > lost_s {
                    until_s = lost_s;
                    self.reconnect(&mut phases, &phase, lost_s);
                    break;
                }
                self.admit(&mut queue, anchor_s);
                self.channel.advance(anchor_s);
                if self.blocked.end_of(anchor_s).is_some() {
                    continue;
                }
                let listens =
                    skipped >= link.peripheral_latency || (!queue.is_empty() && !link.latency_with_data);
                if !listens {
                    skipped += 1;
                    continue;
                }
                if self.other_links.take(anchor_s) {
                    self.counts.events_yielded += 1;
                    continue;
                }
                skipped = 0;
                self.counts.events += 1;
                self.newest_event = Some(HeldEvent { anchor_s, counter: (count - 1) as u16 });
                let room_s = length_s.min(self.other_links.room_s(anchor_s));
                if self.run_event(&mut queue, &airtime, anchor_s, interval_s, room_s, slots) {
                    heard_s = anchor_s;
                }
            }
            // What becomes ready while this connection still holds waits for the next one, or is lost with it.
            self.admit(&mut queue, until_s);
        }
        self.counts.unsent +=
            queue.iter().filter(|queued| matches!(queued.load, Load::Packet(_))).count() as u64;
        while self.packets.take_until(f64::INFINITY).is_some() {
            self.counts.unsent += 1;
        }
    }

    /// Puts a new connection before the phases that are left, after one was lost.
    fn reconnect(&mut self, phases: &mut VecDeque<Phase>, lost: &Phase, lost_s: f64) {
        self.counts.connections_lost += 1;
        let back_s = lost_s + self.reconnection.between(0.5, 1.5) * self.scenario.link.reconnection_s;
        let phase_s = self.reconnection.uniform() * lost.interval_s;
        if back_s < lost.to_s {
            let anchor_s = back_s + phase_s;
            phases.push_front(Phase { from_s: back_s, anchor_s, fresh: true, ..*lost });
        } else if let Some(next) = phases.front_mut()
            && !next.fresh
        {
            // The phone meant to change the interval while there was no connection: the next one has it from the start.
            *next = Phase { from_s: back_s, anchor_s: back_s + phase_s, fresh: true, ..*next };
        }
    }

    /// One connection event or slot: exchanges follow each other while there is data and room. Whether each side heard the other.
    fn run_event(
        &mut self,
        queue: &mut VecDeque<Queued>,
        airtime: &Airtime,
        anchor_s: f64,
        interval_s: f64,
        length_s: f64,
        slots: bool,
    ) -> bool {
        let scenario = self.scenario;
        let link = &scenario.link;
        let mut at_s = anchor_s;
        let mut heard = false;
        for place in 0..link.packets_per_event {
            if link.late_entry && place > 0 {
                self.admit(queue, at_s);
            }
            let request = self.waiting_request(anchor_s);
            if queue.is_empty() && request.is_none() {
                if place == 0 {
                    // Both show that they are there: an empty packet each way.
                    self.counts.receiving_s += airtime.poll_s;
                    self.counts.sending_s += airtime.poll_s;
                    heard = !self.channel.faded;
                }
                return heard;
            }
            let down_s = if request.is_some() { airtime.request_s } else { airtime.poll_s };
            let up_s = queue.front().map_or(airtime.poll_s, |head| {
                let fragments = &airtime.packets_s[self.air_of(head.load)];
                fragments[head.sent_fragments]
            });
            let end_s = at_s + down_s + airtime.space_s + up_s;
            if place > 0 && end_s + airtime.space_s > anchor_s + length_s {
                return heard;
            }
            self.counts.receiving_s += down_s;
            if let Some(request) = request {
                let fails = self.downlink.chance(link.error_rate) || self.channel.faded;
                if fails {
                    return heard;
                }
                self.receive_request(request, at_s + down_s);
            }
            self.counts.sending_s += up_s;
            let start_s = at_s + down_s + airtime.space_s;
            at_s = end_s + airtime.space_s;
            let Some(head) = queue.front_mut() else {
                heard = true;
                continue;
            };
            if head.tried_s.is_none() {
                head.tried_s = Some(anchor_s);
                if let Load::Reply(number) = head.load
                    && scenario.exchanges.reply_stamp == ReplyStamp::Radio
                {
                    self.requests[number].replied_s = start_s;
                }
            }
            self.counts.attempts += 1;
            let item = *head;
            if self.channel.fails() {
                self.counts.failures += 1;
                if slots {
                    queue.pop_front();
                    if matches!(item.load, Load::Packet(_)) {
                        self.counts.air_losses += 1;
                    }
                }
                if link.close_on_failure {
                    return heard;
                }
                continue;
            }
            heard = true;
            if item.sent_fragments + 1 < airtime.packets_s[self.air_of(item.load)].len() {
                if let Some(head) = queue.front_mut() {
                    head.sent_fragments += 1;
                }
                continue;
            }
            queue.pop_front();
            self.deliver(item, end_s, anchor_s, interval_s);
        }
        heard
    }

    fn air_of(&self, load: Load) -> usize {
        match load {
            Load::Packet(id) => usize::from(id.stream),
            Load::Reply(_) => self.scenario.streams.len(),
        }
    }

    fn deliver(&mut self, item: Queued, at_s: f64, anchor_s: f64, interval_s: f64) {
        match item.load {
            Load::Packet(id) => {
                if anchor_s - item.ready_s < interval_s {
                    self.counts.first_opportunity += 1;
                }
                self.counts.wait_sum_s += at_s - item.ready_s;
                let event_s = item.tried_s.unwrap_or(anchor_s);
                let sent = Sent { id, ready_s: item.ready_s, event_s, newest_event: item.newest_event };
                self.received.push(Received { sent, at_s });
            }
            Load::Reply(number) => self.requests[number].returned_s = Some(at_s),
        }
    }

    /// The request that waits for this anchor, if one does.
    fn waiting_request(&self, anchor_s: f64) -> Option<usize> {
        let request = self.requests.get(self.next_request)?;
        let ready_s = request.origin_s + self.scenario.exchanges.request_delay_ms * 1e-3;
        (ready_s <= anchor_s).then_some(self.next_request)
    }

    fn receive_request(&mut self, number: usize, at_s: f64) {
        self.next_request = number + 1;
        let exchanges = &self.scenario.exchanges;
        let dither_s = self.dither.uniform() * exchanges.reply_dither_ms * 1e-3;
        let queued_s = at_s + exchanges.turnaround_ms * 1e-3 + dither_s;
        self.requests[number].received_s = at_s;
        self.requests[number].replied_s = queued_s;
        let reply = Queued::new(Load::Reply(number), queued_s, self.newest_event);
        let place = self.replies.partition_point(|other| other.ready_s <= queued_s);
        self.replies.insert(place, reply);
    }

    /// Links without turns: each packet takes the least time and its noise.
    fn run_direct(&mut self, phases: &[Phase], seed: u64) {
        let scenario = self.scenario;
        let link = &scenario.link;
        let least_s = link.least_ms * 1e-3;
        let mut noise = Random::new(seed, Purpose::Noise);
        let mut queue = VecDeque::new();
        let mut previous_s = f64::MIN;
        for phase in phases {
            self.lose_until(&mut queue, phase.from_s);
            while let Some(Ready { id, ready_s }) = self.packets.take_until(phase.to_s) {
                self.channel.advance(ready_s);
                self.counts.attempts += 1;
                let beyond_s = noise_s(scenario, &mut noise);
                if self.channel.fails() || self.blocked.end_of(ready_s).is_some() {
                    self.counts.failures += 1;
                    self.counts.air_losses += 1;
                    continue;
                }
                let mut at_s = ready_s + least_s + beyond_s;
                if link.in_order {
                    at_s = at_s.max(previous_s);
                    previous_s = at_s;
                }
                self.counts.first_opportunity += 1;
                self.counts.wait_sum_s += at_s - ready_s;
                let sent = Sent { id, ready_s, event_s: ready_s, newest_event: None };
                self.received.push(Received { sent, at_s });
            }
        }
        self.received.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));

        let mut noise = Random::new(seed, Purpose::ReplyNoise);
        let request_delay_s = scenario.exchanges.request_delay_ms * 1e-3;
        for number in 0..self.requests.len() {
            let origin_s = self.requests[number].origin_s;
            let (down_s, up_s) = (noise_s(scenario, &mut noise), noise_s(scenario, &mut noise));
            let connected = phases.iter().any(|phase| origin_s >= phase.from_s && origin_s < phase.to_s);
            let fails = self.downlink.chance(link.error_rate) || self.downlink.chance(link.error_rate);
            if connected && !fails && self.blocked.end_of(origin_s).is_none() {
                self.receive_request(number, origin_s + request_delay_s + least_s + down_s);
                let replied_s = self.requests[number].replied_s;
                self.requests[number].returned_s = Some(replied_s + least_s + up_s);
            }
        }
        self.replies.clear();
    }
}

/// Time beyond the least, in seconds.
fn noise_s(scenario: &Scenario, random: &mut Random) -> f64 {
    let link = &scenario.link;
    if link.kind == LinkKind::Constant {
        return 0.0;
    }
    let size_s = link.noise_ms * 1e-3;
    match link.noise {
        Noise::Uniform => random.uniform() * size_s,
        Noise::Exponential => random.exponential(size_s),
        Noise::Gamma => random.gamma(link.noise_shape, size_s),
        Noise::Lognormal => random.lognormal(size_s, link.noise_shape),
    }
}
