package tickseam;

import java.nio.ByteBuffer;

/** What a replay found on its way. A value, for any thread. */
public final class ReplayReport extends Fields {
    private final int segments;
    private final long used;
    private final long rejected;
    private final long wild;
    private final double intervalUs;
    private final double slips;
    private final boolean congested;
    private final boolean offNominal;

    ReplayReport(ByteBuffer from, int at) {
        segments = from.getInt(at + 4);
        used = from.getLong(at + 8);
        rejected = from.getLong(at + 16);
        wild = from.getLong(at + 24);
        intervalUs = from.getDouble(at + 32);
        slips = from.getDouble(at + 40);
        congested = from.getInt(at + 48) != 0;
        offNominal = from.getInt(at + 52) != 0;
    }

    /** {@return Segments that events were placed on, at least 1} */
    public int segments() {
        return segments;
    }

    /** {@return Packets that have a place of their own} */
    public long used() {
        return used;
    }

    /** {@return Packets that were refused or never got a place} */
    public long rejected() {
        return rejected;
    }

    /** {@return Stamps that were nonsense and were not used for the clock} */
    public long wild() {
        return wild;
    }

    /** {@return Of the last segment: the grid that was believed in, us; 0 without one} */
    public double intervalUs() {
        return intervalUs;
    }

    /** {@return Of the last segment: times that the grid slipped by one step against the packets} */
    public double slips() {
        return slips;
    }

    /** {@return Of the last segment: true if the link loses so much that nothing bounds the clock from below} */
    public boolean congested() {
        return congested;
    }

    /** {@return Of the last segment: true if the device's rate lies outside the declared tolerance} */
    public boolean offNominal() {
        return offNominal;
    }

    @Override
    Object[] fields() {
        return new Object[] {
            "segments", segments,
            "used", used,
            "rejected", rejected,
            "wild", wild,
            "intervalUs", intervalUs,
            "slips", slips,
            "congested", congested,
            "offNominal", offNominal
        };
    }
}
