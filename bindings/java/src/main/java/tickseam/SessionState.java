package tickseam;

import java.nio.ByteBuffer;
import java.util.Arrays;

/** How a session stands. A value, for any thread. */
public final class SessionState extends Fields {
    private final int knowledgeCode;
    private final int segment;
    private final int timelineSegment;
    private final double newestS;
    private final long[] missingPackets = new long[Config.STREAMS_MAX];

    SessionState(ByteBuffer from, int at) {
        knowledgeCode = from.getInt(at + 4);
        segment = from.getInt(at + 8);
        timelineSegment = from.getInt(at + 12);
        newestS = from.getDouble(at + 16);
        for (int i = 0; i < missingPackets.length; i++) {
            missingPackets[i] = from.getLong(at + 24 + 8 * i);
        }
    }

    /** {@return Code of {@link #knowledge}} */
    public int knowledgeCode() {
        return knowledgeCode;
    }

    /** {@return The device's segment, from 0} */
    public int segment() {
        return segment;
    }

    /** {@return The segment that events are placed on: the same, or the one before while stream 0 has not joined} */
    public int timelineSegment() {
        return timelineSegment;
    }

    /** {@return Time of the newest packet of stream 0 on its timeline, s; 0 before the first} */
    public double newestS() {
        return newestS;
    }

    /** {@return How much is known} */
    public Knowledge knowledge() {
        return Knowledge.of(knowledgeCode);
    }

    /**
     * Packets missing in a stream, over all segments; what is lost between two segments is not known.
     *
     * @param stream stream, 0 to 3
     * @return packets, 0 for a stream that is not configured
     * @throws IndexOutOfBoundsException for another stream
     */
    public long missingPackets(int stream) {
        return missingPackets[stream];
    }

    @Override
    Object[] fields() {
        return new Object[] {
            "knowledgeCode", knowledgeCode,
            "segment", segment,
            "timelineSegment", timelineSegment,
            "newestS", newestS,
            "missingPackets", Arrays.toString(missingPackets)
        };
    }
}
