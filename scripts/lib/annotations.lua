---@meta
-- What plans can call, for editors that read LuaCATS comments. It is not loaded
-- when a plan runs. Quantities are SI without prefix; positions -1 to +1.

-- The plan ------------------------------------------------------------------

---@class PlanOptions
---@field product string
---@field revision? string
---@field takt? number s, intended time per unit
---@field deadline? number s, of the whole plan; 600 if not given

---Declares the plan; once, first.
---@param options PlanOptions
function plan(options) end

---@class CheckOptions
---@field about? string one sentence for people
---@field part? string of the product's drawing
---@field deadline? number s; 30 if not given
---@field vital? boolean the plan ends if this check does not pass
---@field when? fun(): boolean asked before the check; false leaves it out, and then the unit can fail but not pass

---Declares a check. The options may be left out.
---@param name string a-z, 0-9 and _
---@param options CheckOptions
---@param body fun()
---@overload fun(name: string, body: fun())
function check(name, options, body) end

---Loads scripts/lib/<name>.lua. The name must be written out.
---@param name string
---@return any
function require(name) end

-- In a check ----------------------------------------------------------------

---@class ReadingOptions
---@field bound? "more"|"less" the true value is more, or less, than the one given
---@field uncertainty? number expanded (k = 2), in the unit of the reading

---Takes a reading, which is judged by limits.toml. nil is an error of the reading.
---@param name string a-z, 0-9 and _; once in a check
---@param value number|boolean|string|nil
---@param unit? string "A", "uA", "1"; numbers need one
---@param options? ReadingOptions
---@return "pass"|"unlimited"|"inconclusive"|"fail"|"error" verdict
function reading(name, value, unit, options) end

---Puts a capture, or a list of numbers, into the report.
---@param name string
---@param capture Samples|Frames|Path|number[]
function keep(name, capture) end

---Writes a line into the report.
---@param text string at most 4000 bytes
function note(text) end

---Notes its arguments.
---@param ... any
function print(...) end

---Waits.
---@param seconds number
function wait(seconds) end

---Runs functions side by side and returns the first result of each, in order.
---@param ... fun(): any
---@return any ...
function together(...) end

---@class AskOptions
---@field text string
---@field kind? "confirm"|"choose"|"number"|"text" confirm if not given
---@field choices? string[] for kind choose
---@field unit? string for kind number
---@field picture? string file beside the plan (svg, png or jpg) that shows what is meant

---Asks the operator.
---@param options AskOptions
---@return boolean|number|string answer
function ask(options) end

-- What devices give ---------------------------------------------------------

---An error of a device, as pcall returns it.
---@class DeviceError
---@field device string role, "" if no device is to blame
---@field kind string "no reply", "garbled", "gone", "busy", "out of range", "refused", "closed", "fault"; "script"
---@field message string
---@field hint string

---@class Samples
---@field duration number s
---@field rate number samples per second
---@field count integer
---@field unit string
---@field channels integer

---@class Frames
---@field duration number s
---@field rate? number frames per second, nominal
---@field count integer
---@field format string
---@field damaged integer

---@class Path
---@field duration number s
---@field count integer movements

-- The bench: the roles of its devices are in the bench file ------------------

---@class Supply
local Supply = {}
---@param options { voltage?: number, current_limit?: number } V, A
function Supply:set(options) end
function Supply:on() end
function Supply:off() end

---@class Output
local Output = {}
function Output:on() end
function Output:off() end
---@param on boolean
function Output:set(on) end

---@class Input
local Input = {}
---@return boolean
function Input:level() end

---@class Meter
local Meter = {}
---Samples the current.
---@param options { over: number, range?: number, rate?: number } s, A (0: automatic), samples per second (0: as usual)
---@return Samples
function Meter:current(options) end

---@class Recorder
local Recorder = {}
---@param options { over: number } s
---@return Samples
function Recorder:record(options) end

---@class Mover
local Mover = {}
function Mover:home() end
---@param to table<string, number> positions by axis
---@param options? { rate?: number } full throws per second; 4 if not given
---@return Path
function Mover:move(to, options) end
---All axes together from -1 to +1 and back, standing at each point; then to 0.
---@param options { axes: string[], points?: integer, dwell?: number, cycles?: integer, rate?: number } 11, 0.15 s, 2, 4 if not given
---@return Path
function Mover:sweep(options) end

---@class Receiver
local Receiver = {}
---@param options { over: number } s
---@return Frames
function Receiver:record(options) end

---@class Timer
local Timer = {}
---The time from stimulus to answer, NaN if there is none.
---@return number s
function Timer:interval() end

---@class Attenuator
local Attenuator = {}
---@param dB number
function Attenuator:set(dB) end

---@type table<string, Supply|Output|Input|Meter|Recorder|Mover|Receiver|Timer|Attenuator>
bench = {}

-- From captures to numbers ---------------------------------------------------

measure = {}

---@param samples Samples
---@return { mean: number, sd: number, min: number, max: number, peak_to_peak: number, uncertainty: number, drift: number, settled: boolean }
function measure.steady(samples) end

---@param samples Samples
---@return { peak: number, peak_at: number, onset: number, settled: number, charge: number, duration: number }
function measure.inrush(samples) end

---@param samples Samples
---@param threshold number
---@return boolean
function measure.started(samples, threshold) end

---@param samples Samples
---@param options? { score?: { pitch: number, length: number }[], start?: number, within?: number, channel?: integer, average?: boolean, silence?: number }
---@return { notes: { start: number, length: number, pitch: number, level: number, thd: number, score: integer, cents: number, length_error: number }[], found: integer, missing: integer, wrong: integer, extra: integer, worst_cents: number, worst_length: number, level: number, weakest_level: number, thd: number, foreign_level: number, foreign_frequency: number, foreign_steady: boolean, clipped: boolean, silent: boolean, dc: number, noise_floor: number }
function measure.tune(samples, options) end

---@param samples Samples
---@param options? { count?: integer, channel?: integer, average?: boolean, lowest?: number, highest?: number, window?: string, silence?: number }
---@return { tones: { frequency: number, amplitude: number, level: number }[], noise_floor: number, dc: number, clipped: boolean, silent: boolean }
function measure.tones(samples, options) end

---One steady tone: how it sounds, and what else sounds with it.
---@param samples Samples
---@param options? { frequency?: number, within?: number, harmonics?: integer, foreign?: integer, lowest?: number, highest?: number, silence?: number, channel?: integer, average?: boolean }
---@return { found: boolean, frequency: number, cents: number, amplitude: number, level: number, thd: number, thdf: number, thdn: number, sinad: number, snr: number, enob: number, sfdr: number, noise_floor: number, harmonics: { number: integer, frequency: number, level: number }[], foreign: { frequency: number, level: number }[], foreign_level: number, foreign_frequency: number, dc: number, clipped: boolean, silent: boolean }
function measure.tone(samples, options) end

---The sine that fits best (IEEE Std 1057).
---@param samples Samples
---@param options? { frequency?: number, fixed?: boolean, channel?: integer, average?: boolean }
---@return { frequency: number, amplitude: number, phase: number, dc: number, residual: number, sinad: number }
function measure.sine(samples, options) end

---How loud a capture is as a whole, with A- and C-weighting.
---@param samples Samples
---@param options? { channel?: integer, average?: boolean, silence?: number }
---@return { rms: number, peak: number, crest: number, level: number, level_a: number, level_c: number, peak_level: number, dc: number, clipped: boolean, silent: boolean }
function measure.level(samples, options) end

---Fits an exponential: off-state leakage while capacitors discharge, or a voltage that falls.
---@param samples Samples
---@param options? { resistance?: number, capacitance?: number }
---@return { final: number, uncertainty: number, amplitude: number, tau: number, tau_uncertainty: number, resistance: number, capacitance: number, decays: boolean, residual: number }
function measure.decay(samples, options) end

---The time from one value to another on an exponential way towards a third.
---@param tau number
---@param from number
---@param to number
---@param towards number
---@return number
function measure.rc_time(tau, from, to, towards) end

---The value after a time on an exponential way.
---@param tau number
---@param from number
---@param towards number
---@param after number
---@return number
function measure.rc_level(tau, from, towards, after) end

---Charge, and with the voltage energy, over a window of a current.
---@param current Samples
---@param options? { from?: number, to?: number, voltage?: number }
---@return { duration: number, charge: number, energy: number, mean: number, rms: number, peak: number, peak_at: number }
function measure.charge(current, options) end

---Charge and energy of a current and a voltage captured side by side.
---@param current Samples
---@param voltage Samples
---@param options? { from?: number, to?: number }
---@return { duration: number, charge: number, energy: number, mean: number, rms: number, peak: number, peak_at: number }
function measure.energy(current, voltage, options) end

---What lies on a steady value: rms, peak to peak, the strongest tone.
---@param samples Samples
---@param options? { lowest?: number, highest?: number }
---@return { mean: number, rms: number, peak_to_peak: number, frequency: number, amplitude: number, share: number }
function measure.ripple(samples, options) end

---How a quantity comes to rest.
---@param samples Samples
---@param options? { within?: number, band?: number }
---@return { final: number, uncertainty: number, time: number, overshoot: number, settled: boolean }
function measure.settling(samples, options) end

---Where a unit stops as its supply falls, and runs again as it rises.
---@param steps { voltage: number, running: boolean }[]
---@return { drop_out: number, stopped_at: number, drop_out_bound: string, recovery: number, still_off_at: number, recovery_bound: string, hysteresis: number, uncertainty: number, sweeps: integer, erratic: integer }
function measure.brown_out(steps) end

---How long a cell lasts under a duty profile.
---@param profile { current: number, time: number }[]
---@param options? { capacity?: number, derating?: number, cut_off?: number, self_discharge?: number }
---@return { life: number, mean: number, usable: number, drawn: number, lost: number, cycles: number, derated: number }
function measure.battery_life(profile, options) end

---@param frames Frames
---@param path Path
---@param options? { channel?: integer, axis?: string, skip?: number }
---@return { low_end: number, high_end: number, centre: number, follows: number, hysteresis: number, play: number, non_linearity: number, independent: number, zero_based: number, least_squares: number, repeatability: number, dead_band: number, noise: number, noise_peak: number, noise_peak_to_peak: number, step: number, resolution: number, effective_bits: number, dropouts: integer, spots: { from: number, to: number, dropouts: integer, frames: integer, furthest: number }[], monotonic: boolean, lag: number, heard: integer, points: { cycle: integer, up: boolean, commanded: number, output: number }[] }
function measure.travel(frames, path, options) end

---Analyses settled readings: those of travel, or any table.
---@param points { cycle: integer, up: boolean, commanded: number, output: number }[]
---@param options? { output_low?: number, output_high?: number, span?: number, within?: number, slack?: number }
---@return { positions: integer, cycles: integer, span: number, low_end: number, high_end: number, inaccuracy_above: number, inaccuracy_below: number, error_above: number, error_below: number, hysteresis: number, hysteresis_at: number, play: number, repeatability: number, repeatability_at: number, repeatability_sd: number, terminal: { slope: number, intercept: number, non_linearity: number, at: number }, independent: { slope: number, intercept: number, non_linearity: number, at: number }, zero: { slope: number, intercept: number, non_linearity: number, at: number }, least_squares: { slope: number, intercept: number, non_linearity: number, at: number }, monotonic: boolean, turns_back: number, curve: { commanded: number, up: number, down: number, average: number }[] }
function measure.travel_points(points, options) end

---The dead band around the centre, from slow movements through it.
---@param frames Frames
---@param ways Path[]
---@param options? { channel?: integer, axis?: string, lag?: number }
---@return { width: number, bound: string, middle: number, uncertainty: number, slope: number, heard: integer }
function measure.dead_band(frames, ways, options) end

---What the other channels do while one axis moves alone.
---@param frames Frames
---@param path Path
---@param options? { channel?: integer, axis?: string, channels?: integer[], lag?: number, skip?: number }
---@return { channels: { channel: integer, gain: number, uncertainty: number, response: number, movement: number }[], worst: number, channel: integer, follows: number }
function measure.cross_talk(frames, path, options) end

---Lag and play apart from each other, from movements at two speeds.
---@param frames Frames
---@param ways Path[]
---@param options? { channel?: integer, axis?: string, margin?: number }
---@return { lag: number, lag_uncertainty: number, play: number, play_uncertainty: number, follows: number, residual: number, heard: integer }
function measure.tracking(frames, ways, options) end

---@param trials { from: number, frames: Frames }[]
---@param options? { channel?: integer, settle?: number }
---@return { offset: number, play: number, spread: number, from_low: number, from_high: number, spread_low: number, spread_high: number, noise: number, wiggle: number, noise_peak_to_peak: number, heard: integer, silent: integer }
function measure.centre(trials, options) end

---@param off Frames
---@param on Frames
---@param options? { channel?: integer }
---@return { off: number, on: number, moves: boolean, bounces: integer }
function measure.switch(off, on, options) end

---@param trials { off: number, started: boolean }[]
---@return { shortest_off: number, bound: string, longest_failed: number, trials: integer }
function measure.restart(trials) end

---@param frames Frames
---@return { expected: integer, received: integer, lost: integer, error_rate: number, upper: number, exact: { low: number, high: number }, wilson: { low: number, high: number }, longest_gap: number, burst_length: number, longest_burst: integer, failsafe: boolean }
function measure.link(frames) end

---@param values number[]
---@return { count: integer, answered: integer, missed: integer, mean: number, median: number, sd: number, p95: number, p99: number, needed_p95: integer, needed_p99: integer, min: number, max: number, jitter: number, histogram: { from: number, to: number, count: integer }[] }
function measure.latency(values) end

---How losses follow each other: run lengths, Gilbert's and Elliott's model, and the
---bound of the error rate (%) that allows for bursts.
---@param frames Frames
---@return { frames: integer, lost: integer, bursts: integer, mean_length: number, longest_length: integer, enter: number, leave: number, independence: number, inflation: number, upper: number, elliott: { fitted: boolean, enter: number, leave: number, good_loss: number, bad_loss: number } }
function measure.bursts(frames) end

---The attenuation (dB) at which a share of the packets is lost, rate = 1 % if not
---given, with its interval. bound is "more" or "less" where it lies beyond the sweep.
---@param points { attenuation: number, lost: integer, sent: integer }[]
---@param options? { rate?: number, confidence?: number, curve?: string }
---@return { attenuation: number, bound: string, interval: { low: number, high: number }, uncertainty: number, width: number, floor: number, dispersion: number, points: integer }
function measure.sweep(points, options) end

---How much more than the golden unit a unit loses, in %, with interval; margin in %.
---@param lost integer
---@param sent integer
---@param golden_lost integer
---@param golden_sent integer
---@param options? { confidence?: number, margin?: number, inflation?: number }
---@return { difference: number, interval: { low: number, high: number }, confidence: number, worse: boolean, not_worse: boolean }
function measure.compare(lost, sent, golden_lost, golden_sent, options) end

---Decides after each piece sent, with the counts of all pieces so far: decision is
---"accept", "reject" or "continue". good and bad in %, both needed.
---@param lost integer
---@param sent integer
---@param options? { good?: number, bad?: number, alpha?: number, beta?: number, max?: integer, inflation?: number }
---@return { decision: string, truncated: boolean, accept_up_to: integer, reject_from: integer, more: integer, max: integer }
function measure.sequential(lost, sent, options) end

---What a sequential test will take: its lines, exact risks, packets on average.
---@param options? { good?: number, bad?: number, alpha?: number, beta?: number, max?: integer, inflation?: number }
---@return { slope: number, accept_intercept: number, reject_intercept: number, first_accept: integer, max: integer, max_accept: integer, fixed: integer, fixed_accept: integer, alpha: number, beta: number, packets_good: number, packets_bad: number }
function measure.sequential_plan(options) end

---The distance (m) that an attenuation (dB) on the bench stands for. frequency in Hz
---is needed; fixed in dB, gain in dBi, wood in m.
---@param attenuation number
---@param options? { frequency?: number, fixed?: number, gain?: number, wood?: number, a1?: number, alpha?: number, specific?: number }
---@return { distance: number, free_space: number, woodland: number, far_field: boolean }
function measure.distance(attenuation, options) end

---The attenuation (dB) on the bench that stands for a distance (m).
---@param distance number
---@param options? { frequency?: number, fixed?: number, gain?: number, wood?: number, a1?: number, alpha?: number, specific?: number }
---@return number
function measure.attenuation(distance, options) end

---The probability of starting against time off, the shortest reliable time off, and
---the time constant behind it (threshold: share of the first voltage; capacitance: F).
---@param trials { off: number, started: boolean }[]
---@param options? { reliability?: number, confidence?: number, threshold?: number, capacitance?: number }
---@return { levels: { off: number, trials: integer, started: integer, probability: number, interval: { low: number, high: number }, reliable: boolean }[], reliable_off: number, needed: integer, half_off: number, half_off_interval: { low: number, high: number }, time_constant: number, time_constant_interval: { low: number, high: number }, resistance: number, resistance_interval: { low: number, high: number } }
function measure.start_curve(trials, options) end

---Which time off to try next; low and high in s are needed.
---@param trials { off: number, started: boolean }[]
---@param options? { low?: number, high?: number, ratio?: number, reliability?: number, confidence?: number, trials?: integer }
---@return { off: number, done: boolean, outcome: string, reliable_off: number }
function measure.next_off(trials, options) end

---Trials without failure that show a reliability at a confidence, both 0 to 1.
---@param reliability number
---@param confidence number
---@return integer
function measure.success_run(reliability, confidence) end

---Mean, standard deviation, median, lag-1 autocorrelation, and 95 % intervals.
---@param values number[]
---@param options? { confidence?: number }
---@return { count: integer, mean: number, sd: number, median: number, min: number, max: number, autocorrelation: number, mean_interval: { low: number, high: number }, sd_interval: { low: number, high: number } }
function measure.summary(values, options) end

---A rate (0 to 1) with its exact and its Wilson interval.
---@param events integer
---@param trials integer
---@param options? { confidence?: number }
---@return { rate: number, exact: { low: number, high: number }, wilson: { low: number, high: number }, confidence: number }
function measure.proportion(events, trials, options) end

---A percentile by rank p(N+1), NaN with fewer than needed values, and its interval.
---@param values number[]
---@param percent number
---@param options? { confidence?: number }
---@return { value: number, interval: { low: number, high: number }, confidence: number, count: integer, needed: integer }
function measure.percentile(values, percent, options) end

---Counts values in bins of equal width.
---@param values number[]
---@param options? { width?: number }
---@return { from: number, to: number, count: integer }[]
function measure.histogram(values, options) end

---The straight line of least squares.
---@param x number[]
---@param y number[]
---@return { intercept: number, slope: number, intercept_sd: number, slope_sd: number, residual_sd: number, r_squared: number, f: number, freedom: integer }
function measure.line(x, y) end

---One-way analysis of variance of a list of lists of numbers.
---@param groups number[][]
---@return { between_freedom: integer, within_freedom: integer, between_ss: number, within_ss: number, between_ms: number, within_ms: number, f: number, p: number, r_squared: number, residual_sd: number }
function measure.one_way(groups) end
