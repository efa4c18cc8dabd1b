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
---@param options { voltage?: number, limit?: number } V, A
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
---@param seconds number
---@return Samples
function Recorder:record(seconds) end

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
---@param seconds number
---@return Frames
function Receiver:record(seconds) end

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
