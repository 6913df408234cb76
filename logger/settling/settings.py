"""Every constant of the settling code, with its unit in the name and its reason; the daemon's config
composes it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Settling:
    """Constants of rest detection, zero and events; the defaults need no tuning per site.

    "d" is the resolution and "sigma" the noise of a cell (the mean of the samples in cell_s), both learned
    from the stream; the *band* is max(d, band_sigma · sigma): what cannot be told from standing still by one
    cell.
    """

    cell_s: float = 0.1
    """Samples are gathered in cells of this length: below the shortest swing (3 Hz), above any radio rate."""
    band_sigma: float = 3.0
    """Noise that counts as standing still, in sigma: 99.7 % of cells."""
    finest_share: float = 1e-4
    """A display finer than this share of the load shows more than a pad can know: a cell of class C has at
    most 10,000 intervals (OIML R 60-1:2021 Table 1)."""
    min_rest_s: float = 1.3
    """Shortest time that can be declared a rest: a whole period of the slowest swing of a car (0.8 Hz), whose
    turning points stand still in a display that averages; above the 0.4 s of Canada's stable-indication
    clause."""
    hold_values: float = 2.5
    """Shortest rest in times that a display shows one value: a slow one stands still between two."""
    min_rest_samples: int = 5
    """Fewest samples in a rest; matters below 5 Hz only: fewer cannot tell noise from a tail."""
    fast_tail_s: float = 0.6
    """Time constant of what is left of the swing and of the last touch; always fitted."""
    tails_s: tuple[float, ...] = (2.2, 3.7, 6.0, 10.0)
    """Time constants of slow tails, one or none: tyres and dampers settle with 2–10 s."""
    no_tail_weight: float = 0.5
    """Prior probability that there is no slow tail left (the rest is shared by tails_s and tail_sizes)."""
    tail_prior_rests: float = 2.0
    """How many rests the first expectation of tails is worth against what is learned."""
    tail_memory_rests: float = 40.0
    """Rests after which what was learned of tails fades: tyres warm up, cars change."""
    tail_sizes: tuple[float, ...] = (0.001, 0.004, 0.016, 0.064, 0.256)
    """Sizes a tail may have, as shares of the movement before it; which it is, is learned. A rock of some
    kilograms may leave a quarter of itself to friction that lets go slowly."""
    tail_rarer: float = 0.8
    """Each larger size is at first so much rarer than the one below it."""
    tail_same: float = 0.5
    """Probability that all rests of a session have the same kind of tail."""
    tail_told: float = 0.5
    """What the rest of one pad tells counts so much: the four pads settle together."""
    tail_doubt: float = 0.3
    """Share of what a tail has to go by which no exponential tells it: friction lets go when it likes."""
    modest: float = 2.0
    """A settled value has so many times the variance that its fit claims: by the fit's own, ±2u held the
    truth of made-up sessions in 90 to 92 %."""
    joint_late_s: float = 0.3
    """Four pads are looked at together unless one of them has sent nothing for longer than this …"""
    joint_span: float = 0.3
    """… or they stand still together for a smaller share of the time that one does by itself."""
    plain_tail: float = 1e-12
    """What they tell is no surer than the pad itself unless the diagonal plainly shows a tail: unless that it
    has none is less probable than this."""
    pairing_sigma: float = 3.2
    """A rest tells which pads are diagonal if load moved between pairs of them by so many sigma …"""
    pairing_memory_rests: float = 10.0
    """… is remembered for so many rests of pads, because pads may change places …"""
    pairing_rests: float = 2.0
    """… and another pairing is taken with so many more than twice the present one's."""
    tail_least_band: float = 0.4
    """Prior spread of a tail, in bands, that needs no movement before it."""
    tail_learn_s: float = 4.0
    """Shortest rest that teaches about tails."""
    tail_apart_bands: float = 5.0
    """The next rest must be so many bands away: otherwise this one broke off by its own tail."""
    tail_learn_bands: float = 50.0
    """Smallest movement, in bands, that teaches about tails."""
    risk: float = 0.043
    """Declare once the settled value is farther than the tolerance with at most this probability."""
    tolerance_sigma: float = 0.75
    """Tolerance in sigma where the noise is coarser than d (which is the tolerance otherwise)."""
    patience_s: float = 3.5
    """After so long within a band the risk taken rises (breathing, wind, creep never let it fall) …"""
    risk_per_s: float = 0.03
    """… by so much a second …"""
    risk_most: float = 0.2
    """… up to this: u says how sure the value is, and a level missed helps nobody."""
    creep_rest_s: float = 9.0
    """What stood within a band for so long is told however unsure it is: creep is reported, not refused."""
    likely_sigma_d: float = 2.0
    """Before any rest was seen, scatter beyond so many d is as likely a swing as noise."""
    late_rest_s: float = 2.5
    """A level that stood so long, and moved on before it could be told, is told when it ends …"""
    late_noisy_s: float = 1.5
    """… and one that stood so long where the noise is coarser than d: it is the noise that is unsure …"""
    late_bands: float = 6.0
    """… by at least so many bands, so that it was a step."""
    late_risk: float = 0.3
    """It is told as it would have settled if the risk of that was not above this, else as it read …"""
    late_goes_sigma: float = 3.0
    """… and not at all if it was still going, by so many standard deviations of the slope …"""
    late_goes_bands: float = 0.3
    """… and by so many bands within creep_horizon_s."""
    late_kept_s: float = 1.0
    """What began to go is remembered for so long: it may be the next movement that begins."""
    late_cut_s: float = 0.4
    """The last of it may be that movement already, within the noise."""
    rare_cells: float = 1.5
    """Cells farther apart than so many cell_s are few: those of a slow display, or of bursts of radio."""
    came_steps: float = 8.0
    """Few cells that reach over so many of their usual steps show a load that came: noise reaches over 4."""
    unlike_noise: float = 25.0
    """Stretches of cells whose variances differ so many times are not of one noise: the calmest shows it."""
    unknown_rest_s: float = 2.0
    """Then the first rest must last so long …"""
    unknown_rest_samples: int = 15
    """… have so many samples …"""
    unknown_rest_cells: int = 8
    """… and so many cells, as it takes to learn noise from: radios send samples in bursts."""
    distrust: float = 0.4
    """Share by which the model of a settle may be wrong: a cell that lay 10 d off is uncertain by 4 d."""
    fit_bands: float = 12.0
    """Cells that lay farther off than so many bands belong to the movement, not to the settle that is
    fitted."""
    reach_band: float = 1.0
    """Farthest a tail may still have to go, in bands, at a declaration: no extrapolating of ramps."""
    wobble_bands: float = 3.0
    """A person's breathing or wind may sway the load by so many bands, and it still counts as a rest …"""
    wobble_share: float = 6e-4
    """… or by this share of it: a deep breath moves a car of 900 kg by half a kilogram (no source) …"""
    wobble_rest_s: float = 5.0
    """… after so long: a breath takes about as much …"""
    wobble_slow_s: float = 8.0
    """… or, if it is slow, so much …"""
    wobble_slowest_s: float = 12.0
    """… or, if it is very slow and one end of it was told as a rest, so much …"""
    wobble_turns: int = 3
    """… if it crossed its own straight line so often: a tail does twice …"""
    wobble_gone: float = 0.35
    """… and went from one half to the other by no more than this share of its range: a ramp goes half …"""
    wobble_eta: float = 0.5
    """… its von Neumann ratio was below this, where noise has 1 …"""
    wobble_few_eta: float = 0.75
    """… or below this where cells are rare …"""
    wobble_few_sigma: float = 3.0
    """… and its standard deviation is more than so many times that of noise …"""
    wobble_least_band: float = 0.4
    """… and so many bands …"""
    wobble_risk: float = 0.1
    """… and with this risk that the value is off by more than that sway."""
    sway_rest_s: float = 3.5
    """Two rests shorter than this with no more than that sway between, in the time of a slow breath, may be
    the two ends of one: the second is told only when it has lasted so long, or as a sway."""
    wobble_band: float = 2.0
    """Largest residual swing (standard deviation, in bands) in which a rest is still declared."""
    newest_sigma: float = 2.5
    """Nothing is declared while the newest cell lies farther from the fit than so many sigma …"""
    newest_d: float = 0.3
    """… and so many d: what looks sure at last may be the next movement that begins."""
    creep_horizon_s: float = 3.0
    """A drift is creep, not movement, if it stays within one band for so long (the usual steady rule)."""
    close_sigma: float = 6.0
    """A cell this far off (in its own standard deviations) is evidence of movement."""
    close_d: float = 1.2
    """And at least so many d off, because one step of the last digit is no movement."""
    cusum_slack: float = 0.75
    """Slack of the two-sided cumulative sum, in standard deviations: looks for shifts of twice as much."""
    cusum_limit: float = 9.0
    """Alarm of the cumulative sum; the alarm is then judged by the levels on both sides."""
    shift_cells: int = 25
    """The level before an alarm is that of so many cells: of more, a slow creep looks like a step."""
    watch_s: float = 3.0
    """Time constant with which the level watched for movement follows a tail or creep."""
    watch_cells: int = 16
    """And never faster than over so many cells, so that a shift is seen before it is followed."""
    refine_every_s: float = 1.0
    """Pace of refinements in the first ten seconds of a rest; a fifth of it later."""
    reopen_s: float = 1.5
    """A disturbance shorter than this that leaves the level as it was is a knock within one rest."""
    reopen_cells: float = 3.2
    """And so is one of so few cells, where samples are rarer than cells: two samples at 1 Hz."""
    same_tolerances: float = 2.0
    """Levels farther apart than so many tolerances are two, however unsure they are."""
    knock_bands: float = 4.0
    """A knock is told if it reached so many bands …"""
    knock_d: float = 3.0
    """… and so many d."""
    reopen_silent_s: float = 5.0
    """A radio gap shorter than this, with the same level after it, lies within one rest."""
    silent_s: float = 2.0
    """A pad that sends nothing for so long (and six of its own intervals) is silent; its rest is closed."""
    wild_sigma: float = 8.0
    """A sample this far from both neighbours, which agree, is a single wild value."""
    zero_after_s: float = 1.0
    """An empty pad's rest gives a zero check after so long, and again at zero_every_s."""
    zero_every_s: float = 5.0
    """R 76-1 4.5.6 asks 5 s below zero before automatic zeroing; we only log, so this is a rate."""
    zero_initial_share: float = 0.20
    """Initial zero range as a share of capacity: R 76-1:2006 4.5.1 (20 % of Max)."""
    zero_initial_kg: float = 25.0
    """And never above this: no wheel of a car is so light, so a car on the pads at start is not zeroed
    away."""
    zero_track_share: float = 0.04
    """Range of zero after the first check as a share of capacity: R 76-1:2006 4.5.1 (4 % of Max)."""
    zero_return_share: float = 0.004
    """Largest zero return after a load, as a share of capacity; beyond it something still stands on the
    pad."""
    zero_track_d_per_s: float = 0.5
    """Fastest change of zero (d a second) that is followed: R 76-1:2006 4.5.7. A faster one counts …"""
    zero_set_after_s: float = 5.0
    """… once the pad has stood empty for so long: R 76-1:2006 4.5.6."""
    zero_accuracy_e: float = 0.25
    """Largest u of a zero check, in e, beside the display's own rounding: R 76-1:2006 4.5.2."""
    zero_drift_share_per_sqrt_s: float = 1e-6
    """Drift of zero between checks (Brownian), share of capacity per √s, until the stream teaches better:
    0.03 kg in an hour on a 500 kg pad."""
    empty_share: float = 0.01
    """Below this share of capacity (zero taken off) a pad carries no wheel."""
    person_min_kg: float = 45.0
    """Lightest step that may be a person; nobody alone lifts such a part out of a car."""
    person_max_kg: float = 160.0
    """Heaviest step that may be a person."""
    person_car_kg: float = 5000.0
    """Heaviest car somebody gets into; more is a bridge or a lorry."""
    rock_min_swings: int = 4
    """Fewest swings (half periods) that make a rock; getting in or out and rolling on make three."""
    rock_band: float = 4.0
    """Smallest amplitude of a swing, in bands …"""
    rock_step_share: float = 0.15
    """… and where somebody got in or out, of that step: a body's drop makes a car swing a little."""
