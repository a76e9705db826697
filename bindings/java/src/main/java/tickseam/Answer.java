package tickseam;

import java.nio.ByteBuffer;

/** What an observed packet did. A value, for any thread. */
public final class Answer extends Fields {
    private final int dispositionCode;
    private final int refusalCode;
    private final boolean hasPlace;
    private final int segment;
    private final int settled;
    private final long index;
    private final long deviceCount;
    private final long missingFrom;
    private final long missingCount;

    Answer(ByteBuffer from, int at) {
        dispositionCode = from.getInt(at + 4);
        refusalCode = from.getInt(at + 8);
        hasPlace = from.getInt(at + 12) != 0;
        segment = from.getInt(at + 16);
        settled = from.getInt(at + 20);
        index = from.getLong(at + 24);
        deviceCount = from.getLong(at + 32);
        missingFrom = from.getLong(at + 40);
        missingCount = from.getLong(at + 48);
    }

    /** {@return Code of {@link #disposition}, also where that is {@link Disposition#UNKNOWN}} */
    public int dispositionCode() {
        return dispositionCode;
    }

    /** {@return Code of {@link #refusal}} */
    public int refusalCode() {
        return refusalCode;
    }

    /** {@return True if the packet has its place: then segment, index and deviceCount hold; for a duplicate, where the earlier one lies} */
    public boolean hasPlace() {
        return hasPlace;
    }

    /** {@return Segment, from 0; a new one begins where the device's counters restarted} */
    public int segment() {
        return segment;
    }

    /** {@return Earlier packets of the stream that got their place with this one} */
    public int settled() {
        return settled;
    }

    /** {@return Unwrapped sequence number} */
    public long index() {
        return index;
    }

    /** {@return Unwrapped tick at the packet's first sample; the sample count for a packet without a tick} */
    public long deviceCount() {
        return deviceCount;
    }

    /** {@return Unwrapped sequence number of the first missing packet, for OPENS_GAP and RESUMES} */
    public long missingFrom() {
        return missingFrom;
    }

    /** {@return Packets missing in a row there; else 0} */
    public long missingCount() {
        return missingCount;
    }

    /** {@return What the packet did} */
    public Disposition disposition() {
        return Disposition.of(dispositionCode);
    }

    /** {@return Why it was rejected, or {@link Refusal#NONE}} */
    public Refusal refusal() {
        return Refusal.of(refusalCode);
    }

    @Override
    Object[] fields() {
        return new Object[] {
            "dispositionCode", dispositionCode,
            "refusalCode", refusalCode,
            "hasPlace", hasPlace,
            "segment", segment,
            "settled", settled,
            "index", index,
            "deviceCount", deviceCount,
            "missingFrom", missingFrom,
            "missingCount", missingCount
        };
    }
}
