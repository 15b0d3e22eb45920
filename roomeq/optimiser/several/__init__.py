"""Several subwoofers: delay, polarity, level and bands of each, chosen together.

Interface
---------
`task.Source`, `task.BandSet` and `task.SeveralTask` state the problem in arrays,
`choose.choose_together` answers it with a `choose.Together`, `places.choose_places` with the best
`places.Combination` of one to four of up to ten places. Sources have pressures with everything
at rest, what their amplifier offers as arrays of values (one value: fixed), an equaliser by its
index (shared where two name the same; None: no bands) and, in series, the source that they are fed
by. Delays in s, levels in dB.

The problem
-----------
With T what is set on a source (delay, polarity, level, bands), the sum at seat s is
``H_s = sum_i T_i P_i,s``; ``L_s = 10 lg S6(|H_s|^2)`` less the target, S6 the 1/6-octave power
smoothing. The loss is the mean over the seats, by weight, of each seat's own
``F_s = sum_f w_f [2 max(L_s - m, 0)^2 + min(L_s - m + A, 0)^2]``, A the allowance of the roll-off,
at one common level m: the one at which that mean is least, since how loud it is comes after the
shape. Added is ``0.01 min(Ebar, 0)^2`` with Ebar the mean over sources and axis of what their bands
do. Dips are not excused: to mend them is what several subwoofers are for. Deviations are
``sqrt(F)`` in dB.

Output is the mean over the axis of the seats' power average in dB, less what the most driven source
is driven above its measured level (level and mean response of its bands): a level knob before all
would give that back. *All in phase* is the largest output that delays and polarities on offer
reach with every level and band at rest; so it is a setting, not the sum of magnitudes, which no
setting reaches (that lies 0.5 to 3.2 dB higher, 2.0 in the mean, in the 40 rooms of
``bench_several.py``). The output given up against it is at most 3 dB unless asked for.

Each equaliser keeps its own limit rows as one does, and level and boost together its drive limit.
"""
