"""Symbols of a binary signal of known rate, without acquisition: timing, carrier and filter are fitted.

A stream is held at four samples a symbol and worked on in hops of 64 symbols. Clock phase, carrier and the
best linear filter of a hop are estimated from it and its neighbours on both sides, so the first symbols of
a burst are read as well as the last, and a fade costs only what it covers. Nothing is decided by a loop.

- Clock: the line at the symbol rate in the size of the signal's change over half a symbol. Changes lie midway
  between symbols, whatever the pulse, the offset or the amount of scrambling.
- Carrier of phase reversals: the line of the squared signal; its phase, smoothed, turns the symbols upright.
- Gate: where that line is no stronger than noise makes it there are no symbols, and a hop costs no more. `ClockLook`
  measures the same line before anything is resampled. Hops whose first look does not fall into two clusters, or
  changes more slowly than symbols do, are not fitted.
- Filter: decisions of a first look are regressed on samples half a symbol apart (least squares with a
  constant). That corrects for offset, unequal tones, and for what a receiver's or transmitter's filters left,
  and is the minimum mean square error filter for the noise as it is (coloured, after a discriminator).

Common practice, no single source; benchmarks/bench_ax25.py measures what it gives.
"""
