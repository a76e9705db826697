import CTickseam

/// One stream of packets.
public struct Stream: Equatable, Sendable {
    /// Nominal sample rate, Hz, above 0.
    public var rateHz: Double
    /// Nominal samples in one packet, at least 1.
    public var samplesPerPacket: UInt32
    /// The sequence number wraps at 2^sequenceBits; 2 to 64.
    public var sequenceBits: UInt32

    public init(rateHz: Double, samplesPerPacket: UInt32, sequenceBits: UInt32) {
        self.rateHz = rateHz
        self.samplesPerPacket = samplesPerPacket
        self.sequenceBits = sequenceBits
    }
}

/// What is known of the device before its first packet. Ranges are those of `tickseam_config`, checked where a session begins.
public struct Configuration: Equatable, Sendable {
    /// Nominal rate of the tick counter, Hz, and the width at which it wraps, 16 to 64 bits; `nil` where packets carry no tick.
    public var ticks: (hz: Double, bits: UInt32)?
    /// Tolerance of the device's crystal, ppm.
    public var tolerancePpm: Double
    /// Step of the host's stamps, us: 0.001 for a clock of nanoseconds.
    public var hostStepUs: Double
    /// Smallest time from the first sample of a packet of stream 0 to its host stamp, us, positive where the stamp is later, and its
    /// standard uncertainty; `nil`: placements are late by it and say so.
    public var fixedDelay: (us: Double, uUs: Double)?
    /// Connection interval, us; `nil`: it is looked for.
    public var intervalUs: Double?
    /// One to four; stream 0 is the reference, whose samples events are placed on.
    public var streams: [Stream]

    public init(
        ticks: (hz: Double, bits: UInt32)?,
        tolerancePpm: Double,
        hostStepUs: Double = 0.001,
        fixedDelay: (us: Double, uUs: Double)? = nil,
        intervalUs: Double? = nil,
        streams: [Stream]
    ) {
        self.ticks = ticks
        self.tolerancePpm = tolerancePpm
        self.hostStepUs = hostStepUs
        self.fixedDelay = fixedDelay
        self.intervalUs = intervalUs
        self.streams = streams
    }

    public static func == (one: Configuration, other: Configuration) -> Bool {
        one.ticks?.hz == other.ticks?.hz && one.ticks?.bits == other.ticks?.bits && one.tolerancePpm == other.tolerancePpm
            && one.hostStepUs == other.hostStepUs && one.fixedDelay?.us == other.fixedDelay?.us
            && one.fixedDelay?.uUs == other.fixedDelay?.uUs && one.intervalUs == other.intervalUs && one.streams == other.streams
    }

    var plain: tickseam_config {
        var plain = tickseam_config()
        plain.struct_size = structSize(tickseam_config.self)
        plain.tick_hz = ticks?.hz ?? 0
        plain.tick_bits = ticks?.bits ?? 0
        plain.tolerance_ppm = tolerancePpm
        plain.host_step_us = hostStepUs
        plain.fixed_delay_us = fixedDelay?.us ?? 0
        plain.fixed_delay_u_us = fixedDelay?.uUs ?? 0
        plain.fixed_delay_known = fixedDelay == nil ? 0 : 1
        plain.interval_us = intervalUs ?? 0
        // More than there is room for is refused by the library.
        plain.stream_count = UInt32(clamping: streams.count)
        withUnsafeMutableBytes(of: &plain.streams) { bytes in
            let places = bytes.bindMemory(to: tickseam_stream.self)
            for (at, stream) in streams.prefix(places.count).enumerated() {
                places[at].rate_hz = stream.rateHz
                places[at].samples_per_packet = stream.samplesPerPacket
                places[at].sequence_bits = stream.sequenceBits
            }
        }
        return plain
    }
}

/// What a packet did; a code that this file does not know is `unknown`.
public enum Disposition: Equatable, Sendable {
    case inOrder, late, duplicate, opensGap, closesGap, resumes, newSegment, joinsSegment, ambiguous, quarantined, rejected
    case unknown(Int32)

    init(code: Int32) {
        switch code {
        case TICKSEAM_IN_ORDER: self = .inOrder
        case TICKSEAM_LATE: self = .late
        case TICKSEAM_DUPLICATE: self = .duplicate
        case TICKSEAM_OPENS_GAP: self = .opensGap
        case TICKSEAM_CLOSES_GAP: self = .closesGap
        case TICKSEAM_RESUMES: self = .resumes
        case TICKSEAM_NEW_SEGMENT: self = .newSegment
        case TICKSEAM_JOINS_SEGMENT: self = .joinsSegment
        case TICKSEAM_AMBIGUOUS: self = .ambiguous
        case TICKSEAM_QUARANTINED: self = .quarantined
        case TICKSEAM_REJECTED: self = .rejected
        default: self = .unknown(code)
        }
    }
}

/// How much a session knows.
public enum Knowledge: Equatable, Sendable {
    /// Nothing can be placed yet.
    case nothing
    /// The first packets: tell the user to wait some seconds.
    case cold
    /// Blocks of arrivals bound the clock.
    case tracking
    case unknown(Int32)

    init(code: Int32) {
        switch code {
        case TICKSEAM_KNOWS_NOTHING: self = .nothing
        case TICKSEAM_COLD: self = .cold
        case TICKSEAM_TRACKING: self = .tracking
        default: self = .unknown(code)
        }
    }
}

/// What an exchange or a marker did.
public enum Sighting: Equatable, Sendable {
    /// It bounds the clock.
    case used
    /// Refused: ticks are not configured; no packet has found its place yet; a tick is far off; the reply came before the request.
    case noTicks, tooEarly, farOff, backwards
    case unknown(Int32)

    init(code: Int32) {
        switch code {
        case TICKSEAM_SIGHTING_USED: self = .used
        case TICKSEAM_SIGHTING_NO_TICKS: self = .noTicks
        case TICKSEAM_SIGHTING_TOO_EARLY: self = .tooEarly
        case TICKSEAM_SIGHTING_FAR_OFF: self = .farOff
        case TICKSEAM_SIGHTING_BACKWARDS: self = .backwards
        default: self = .unknown(code)
        }
    }
}

/// A live session: observes packets, places events.
///
/// It owns some 16.5 KiB of memory, freed with the last reference. One session, one thread at a time: it is not `Sendable`; keep it inside an
/// actor or on one queue, and hand others a `ClockMap`. Host stamps are `Int64` ns of one clock that never jumps and goes on while the
/// phone sleeps.
public final class Session {
    private let memory: UnsafeMutableRawPointer
    private let handle: OpaquePointer

    /// Allocates, begins, and gives the memory back where that is refused.
    private init(
        beginning begin: (UnsafeMutableRawPointer, UnsafeMutablePointer<OpaquePointer?>) -> Int32
    ) throws {
        guard tickseam_abi() == TICKSEAM_ABI, tickseam_session_size() == Int(TICKSEAM_SESSION_SIZE),
            tickseam_saved_size() == Int(TICKSEAM_SAVED_SIZE)
        else { throw TickseamError(status: TICKSEAM_ERROR_OTHER_BUILD) }
        let memory = UnsafeMutableRawPointer.allocate(
            byteCount: Int(TICKSEAM_SESSION_SIZE), alignment: Int(TICKSEAM_SESSION_ALIGN))
        var handle: OpaquePointer?
        let status = begin(memory, &handle)
        guard status == TICKSEAM_OK, let begun = handle else {
            memory.deallocate()
            throw TickseamError(status: status)
        }
        self.memory = memory
        self.handle = begun
    }

    /// Begins a session; 40 KiB of the thread's stack.
    ///
    /// - Throws: `TickseamError.stream`, or `.value` for a number out of its range; `.otherBuild` where library and header do not fit.
    public convenience init(_ configuration: Configuration) throws {
        var plain = configuration.plain
        try self.init(beginning: { tickseam_session_init($0, Int(TICKSEAM_SESSION_SIZE), &plain, $1) })
    }

    /// Goes on where a session was saved, to the same bits. Bytes altered by accident are refused, forged ones are not noticed: keep them
    /// where nobody else writes.
    ///
    /// - Throws: `TickseamError.otherBuild` for bytes of another build, `.altered` for altered ones: begin a new session.
    public convenience init(restoring saved: [UInt8]) throws {
        try self.init(beginning: { memory, handle in
            saved.withUnsafeBytes { bytes in
                tickseam_session_restore(memory, Int(TICKSEAM_SESSION_SIZE), bytes.baseAddress, bytes.count, handle)
            }
        })
    }

    deinit { memory.deallocate() }

    /// Takes a packet, in the order of reception, from the radio's callback. One that cannot be used is no error: its disposition says so.
    ///
    /// - Parameters:
    ///   - hostNs: the host's clock at the stamp, ns, read first in the callback.
    ///   - sequence: as sent.
    ///   - tick: the device's tick at the first sample, as sent; `nil` where the packet carries none.
    ///   - samples: samples in the packet.
    ///   - stream: from 0, the reference.
    /// - Returns: what it did, and the whole answer.
    @discardableResult
    public func observe(
        hostNs: Int64, sequence: UInt64, tick: UInt64?, samples: UInt32, stream: UInt32 = 0
    ) throws -> (disposition: Disposition, answer: tickseam_answer) {
        var packet = tickseam_packet()
        packet.host_ns = hostNs
        packet.sequence = sequence
        packet.tick = tick ?? 0
        packet.has_tick = tick == nil ? 0 : 1
        packet.samples = samples
        packet.stream = stream
        var answer = tickseam_answer()
        answer.struct_size = structSize(tickseam_answer.self)
        try check(tickseam_session_observe_packet(handle, &packet, &answer))
        return (Disposition(code: answer.disposition), answer)
    }

    /// Takes an exchange of time stamps (T1 to T4 of RFC 5905): host times in ns, ticks as sent.
    @discardableResult
    public func observeExchange(originNs: Int64, receiveTick: UInt64, transmitTick: UInt64, destinationNs: Int64) throws -> Sighting {
        var sighted: Int32 = 0
        try check(tickseam_session_observe_exchange(handle, originNs, receiveTick, transmitTick, destinationNs, &sighted))
        return Sighting(code: sighted)
    }

    /// Takes an instant that the host stamped and the device saw at a tick; believed to within 2 ms.
    @discardableResult
    public func observeMarker(hostNs: Int64, tick: UInt64) throws -> Sighting {
        var sighted: Int32 = 0
        try check(tickseam_session_observe_marker(handle, hostNs, tick, &sighted))
        return Sighting(code: sighted)
    }

    /// Places an event, a second or more after it happened. Times and budget by cause are those of `tickseam_placement`.
    ///
    /// - Parameters:
    ///   - hostNs: the host's clock at the stamp, ns.
    ///   - latencyUs: from the stamp to the physical event, us; negative where it was earlier; within an hour.
    ///   - latencyUUs: its standard uncertainty, us.
    /// - Returns: `nil` where nothing is known yet.
    /// - Throws: `TickseamError.value` for a latency out of its range.
    public func place(hostNs: Int64, latencyUs: Double = 0, latencyUUs: Double = 0) throws -> tickseam_placement? {
        var placement = tickseam_placement()
        placement.struct_size = structSize(tickseam_placement.self)
        let status = tickseam_session_place(handle, hostNs, latencyUs, latencyUUs, &placement)
        return try known(status) ? placement : nil
    }

    /// Host time of a time on the running segment's timeline, s; `nil` where nothing is known yet.
    public func hostInstant(atDeviceS deviceS: Double) throws -> HostInstant? {
        var instant = tickseam_host_instant()
        return try known(tickseam_session_host_at(handle, deviceS, &instant)) ? HostInstant(instant) : nil
    }

    /// The running segment's clock map as it is known now, for any thread; `nil` where nothing is known yet.
    public func map() throws -> ClockMap? {
        var map = tickseam_map()
        map.struct_size = structSize(tickseam_map.self)
        return try known(tickseam_session_map(handle, &map)) ? ClockMap(known: map) : nil
    }

    /// The runs of missing packets of a stream in its present segment, the newest 32 or so, the oldest first.
    ///
    /// - Throws: `TickseamError.stream`.
    public func gaps(ofStream stream: UInt32 = 0) throws -> [tickseam_gap] {
        var gaps: [tickseam_gap] = []
        var from = Int64.min
        var gap = tickseam_gap()
        while try known(tickseam_session_next_gap(handle, stream, from, &gap)) {
            gaps.append(gap)
            let (next, overflow) = gap.first_index.addingReportingOverflow(Int64(clamping: gap.packets))
            if overflow { break }
            from = next
        }
        return gaps
    }

    /// How much is known, and the whole state: segment, newest packet, what is missing.
    public func state() throws -> (knowledge: Knowledge, state: tickseam_state) {
        var state = tickseam_state()
        state.struct_size = structSize(tickseam_state.self)
        try check(tickseam_session_state(handle, &state))
        return (Knowledge(code: state.knowledge), state)
    }

    /// What the arrivals show of the link: its grid and the beat.
    public func link() throws -> tickseam_link {
        var link = tickseam_link()
        link.struct_size = structSize(tickseam_link.self)
        try check(tickseam_session_link(handle, &link))
        return link
    }

    /// What was counted since the session began.
    public func counters() throws -> tickseam_counters {
        var counters = tickseam_counters()
        counters.struct_size = structSize(tickseam_counters.self)
        try check(tickseam_session_counters(handle, &counters))
        return counters
    }

    /// Saves the whole session, for `init(restoring:)` by the same build of the library.
    public func save() throws -> [UInt8] {
        var saved = [UInt8](repeating: 0, count: Int(TICKSEAM_SAVED_SIZE))
        var written = 0
        let status = saved.withUnsafeMutableBytes {
            tickseam_session_save(handle, $0.baseAddress, $0.count, &written)
        }
        try check(status)
        return Array(saved.prefix(written))
    }
}
