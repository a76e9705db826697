import tickseam.Config
import tickseam.Disposition
import tickseam.Session

/** From a radio's callback to a placed event. The headset and its packets are invented. */
fun main() {
    val headset = Config.builder()
        .ticks(32768.0, 32)
        .tolerancePpm(50.0)
        .hostStepUs(0.001)
        .fixedDelayUs(18_000.0, 200.0)
        .stream(250.0, 5, 16)
        .build()
    Session(headset).use { session ->
        for (n in 0L until 1000L) {
            if (n == 400L) continue
            val stampNs = 7_000_000_000L + (n * 20 + 18 + (14 - n * 20 % 15)) * 1_000_000L
            val answer = session.observe(stampNs, n, n * 32768 / 50, 5, 0)
            if (answer.disposition() == Disposition.OPENS_GAP) println("${answer.missingCount()} packet is missing")
        }
        val tone = session.place(27_000_000_000L).orElse(null) ?: return
        println("the tone fell on sample %.3f, give or take %.3f ms".format(tone.sample(), tone.u95Us() / 1e3))
    }
}
