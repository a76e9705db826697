import Foundation
import XCTest

@testable import Tickseam

/// The rows of bindings/vectors/live.csv, which every language answers with the same bits. Its first lines say what they mean.
final class VectorTests: XCTestCase {
    func testRowsAreAnsweredWithTheSameBits() throws {
        let file = URL(fileURLWithPath: #filePath).appendingPathComponent("../../../../vectors/live.csv").standardized
        var begun: Session?
        var packets = 0
        var places = 0
        for line in try String(contentsOf: file, encoding: .utf8).split(separator: "\n") where !line.hasPrefix("#") {
            let cell = line.split(separator: ",", omittingEmptySubsequences: false).map(String.init)
            if cell[0] == "config" {
                begun = try Session(
                    Configuration(
                        ticks: (hz: number(cell[1]), bits: UInt32(cell[2])!),
                        tolerancePpm: number(cell[3]),
                        hostStepUs: number(cell[4]),
                        fixedDelay: (us: number(cell[5]), uUs: number(cell[6])),
                        intervalUs: number(cell[7]),
                        streams: [
                            Stream(rateHz: number(cell[8]), samplesPerPacket: UInt32(cell[9])!, sequenceBits: UInt32(cell[10])!)
                        ]))
                continue
            }
            let session = try XCTUnwrap(begun)
            switch cell[0] {
            case "packet":
                let answer = try session.observe(
                    hostNs: Int64(cell[1])!, sequence: UInt64(cell[2])!, tick: UInt64(cell[3])!, samples: UInt32(cell[4])!)
                XCTAssertEqual(answer.disposition, Disposition(code: Int32(cell[5])!))
                packets += 1
            case "exchange":
                let sighted = try session.observeExchange(
                    originNs: Int64(cell[1])!, receiveTick: UInt64(cell[2])!, transmitTick: UInt64(cell[3])!,
                    destinationNs: Int64(cell[4])!)
                XCTAssertEqual(sighted, Sighting(code: Int32(cell[5])!))
            case "place":
                let placed = try XCTUnwrap(
                    session.place(hostNs: Int64(cell[1])!, latencyUs: number(cell[2]), latencyUUs: number(cell[3])))
                let map = try XCTUnwrap(session.map()).plain
                let back = try XCTUnwrap(session.hostInstant(atDeviceS: placed.device_s))
                XCTAssertEqual(placed.segment, UInt32(cell[4])!)
                let said = [placed.device_s, placed.u_us, placed.u95_us, placed.link_us, map.offset_us, map.rate_ppm]
                XCTAssertEqual(said.map(\.bitPattern), cell[5...10].map { number($0).bitPattern })
                XCTAssertEqual(back.hostNs, Int64(cell[11])!)
                places += 1
            default:
                XCTFail("no such row: \(line)")
            }
        }
        XCTAssertGreaterThan(packets, 2000)
        XCTAssertGreaterThan(places, 50)
    }

    /// Decimal or hexadecimal, exact.
    private func number(_ word: String) -> Double { Double(word)! }
}
