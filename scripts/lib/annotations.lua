---@meta
-- What plans can call, for editors that read LuaCATS comments. It is not loaded
-- when a plan runs. Quantities are SI without prefix, shares in %; positions of a
-- mover -1 to +1.

-- The plan ------------------------------------------------------------------

---@class PlanOptions
---@field product string
---@field revision? string
---@field cycle_time? number s, how long a run is meant to take
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
---@field retake? fun() done before the check is taken once more, which happens where it failed over a wire without a check sum

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

---Puts a capture, or a list of numbers, into the report; a picture is drawn there, with
---its reference beside it.
---@param name string
---@param capture Samples|Frames|Path|Picture|number[]
---@param options? { reference: Picture } of a picture
function keep(name, capture, options) end

---A reference picture: a PNG or JPEG file beside the plan, at most 32 MB and 24 million
---pixels. The name must be written out. lint looks at the file.
---@param name string "display.png"
---@return Picture
function picture(name) end

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
---@field rate? number frames per second, given or measured
---@field count integer
---@field format string "SBUS", "CRSF", "iBUS", "SUMD", "PPM"
---@field damaged integer
---@field link LinkStatistics[] what a CRSF receiver said of its link, in order of time
---@field battery Battery[] what a battery sensor told over CRSF
---@field modes FlightMode[] flight modes told over CRSF, each time one changed

---@class LinkStatistics
---@field at number s, since the beginning of the capture
---@field rssi number dBm, the better antenna
---@field quality number %
---@field snr number dB

---@class Battery
---@field at number s, since the beginning of the capture
---@field voltage number V
---@field current number A
---@field charge number C, drawn so far
---@field remaining number %, as the sensor estimates it

---@class FlightMode
---@field at number s, since the beginning of the capture
---@field text string at most 60 characters

---@class Path
---@field duration number s
---@field count integer movements

---@class Picture
---@field width integer pixels
---@field height integer pixels

-- The bench: the roles of its devices are in the bench file ------------------

---@class Supply
local Supply = {}
---@param options { voltage?: number, current_limit?: number } V, A
function Supply:set(options) end
function Supply:on() end
function Supply:off() end

---@class Readback: Supply, Indicator a supply whose model reads back what its terminals carry
local Readback = {}
---@return number volts
function Readback:voltage() end
---@return number amperes
function Readback:current() end

---@class Load
local Load = {}
---@param options { current?: number, resistance?: number, power?: number } one of them: A, Ohm, W
function Load:set(options) end
function Load:on() end
function Load:off() end

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

---@class Indicator
local Indicator = {}
---Reads one value.
---@param quantity "voltage"|"current"|"resistance"|"frequency"|"temperature"|"power"
---@param options? { range?: number, channel?: integer } the largest magnitude expected (0: automatic); 1 if not given
---@return number value in V, A, Ohm, Hz, Cel, W
function Indicator:read(quantity, options) end

---@class Ran
---@field exit integer exit code; -1 where a signal ended it
---@field signal string that signal, "" if none
---@field out string what it wrote, at most 64 KiB
---@field err string what it wrote as errors, at most 64 KiB
---@field cut boolean there was more
---@field took number s

---@class Program
local Program = {}
---Runs the program once.
---@param values? table<string, string> for the places in its arguments
---@return Ran
function Program:run(values) end
---Runs the program once and takes the file it writes ({output} in its arguments) as a
---picture: PNG or JPEG. An exit code other than 0 is an error of the bench.
---@param values? table<string, string> for the places in its arguments
---@return Picture
function Program:picture(values) end

---@class ColourReading
---@field clear number counts; NaN where saturated, as all below
---@field red number counts
---@field green number counts
---@field blue number counts
---@field red_share number %; of red, green and blue together
---@field green_share number %; the same
---@field blue_share number %; the same
---@field x number CIE 1931 x; NaN without the matrix of a calibration in the bench file
---@field y number CIE 1931 y; the same
---@field saturated boolean it was too bright for this time and gain
---@field full number counts at which a channel clips
---@field over number s, that was integrated
---@field gain number

---A sensor of red, green and blue light.
---@class Light
local Light = {}
---Integrates once.
---@param options? { over?: number, gain?: number } s and gain, as the part has them; 0.1 and 1 if not given
---@return ColourReading
function Light:light(options) end

---@class Analogue
local Analogue = {}
---@param level number V
function Analogue:set(level) end

---@class AnswerOptions
---@field within? number s; 2 if not given
---@field silence? "result"|"fault" what it means that nothing comes: of the unit (nil is returned) or of the bench (an error); as the bench file says, if not given
---@field unfinished? boolean of lines only: a question without a line end counts too, once nothing has come for 0.2 s

---@class AskOptions : AnswerOptions
---@field twice? boolean asks twice, and two answers that differ are an error: for what decides, on a wire without a check sum

---A device that speaks lines of text.
---@class Console
local Console = {}
---Sends a line and waits for the line that answers it. What does not come, or does
---not fit, is an error of the bench that says what was received.
---@param line string without line end
---@param pattern? string|string[] of Lua, or several; any line if not given
---@param options? AskOptions
---@return any ... the pattern's captures, or the whole match; of several before them which one it was; nil after a silence that is a result
function Console:ask(line, pattern, options) end
---Sends a line and does not wait.
---@param line string without line end
function Console:send(line) end
---Waits for a line, also among those that have come already.
---@param pattern? string|string[] of Lua, or several; any line if not given
---@param options? AnswerOptions
---@return any ... as of ask
function Console:expect(pattern, options) end
---The lines that came and were no answers, the newest 200, since it was last called.
---@return string[]
function Console:others() end

---@class BytesOptions : AnswerOptions
---@field length? integer bytes of the answer, where the bench file gives the device no frames
---@field starts? string what the answer begins with; others are passed over

---A device that speaks bytes, in frames or without.
---@class Bytes
local Bytes = {}
---Sends bytes, as a frame where the bench file says how frames look, and waits for the answer.
---@param data string
---@param options? BytesOptions
---@return string|nil data of the frame; nil after a silence that is a result
function Bytes:ask(data, options) end
---@param data string
function Bytes:send(data) end
---@param options? BytesOptions
---@return string|nil data
function Bytes:expect(options) end

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

---@type table<string, Supply|Output|Input|Meter|Recorder|Mover|Receiver|Timer|Attenuator|Console|Bytes>
bench = {}

---The unit that is tested.
---@type { serial_number: string, product: string, revision: string, lot: string } "" where it is not known
unit = {}

-- Bytes ----------------------------------------------------------------------

bytes = {}

---Values as bytes: < > the order, b B h H i[n] I[n] whole numbers, f d others, s[n] z c[n] texts, x a byte of 0.
---@param format string "<BHI4"
---@param ... number|string
---@return string
function bytes.pack(format, ...) end
---The values that pack made bytes of, and after them the place of the next byte.
---@param format string
---@param data string
---@param from? integer 1 if not given
---@return any ...
function bytes.unpack(format, data, from) end
---The check sum of bytes, by its name in the catalogue of CRC parameters.
---@param name string "CRC-16/MODBUS"
---@param data string
---@return integer
function bytes.crc(name, data) end
---@param data string
---@return string digits "A5 5A"
function bytes.hex(data) end
---@param digits string "A5 5A"
---@return string data
function bytes.of(digits) end

-- From captures to numbers ---------------------------------------------------

measure = {}

---@class ToneOptions
---@field frequency? number Hz; the intended tone; not given: the strongest; at least 0
---@field pitch_tolerance? number cent; how far from frequency the tone may be; above 0 and at most 1200; default: 100
---@field highest_harmonic? integer the highest that counts as a harmonic; at least 2 and at most 100; default: 10
---@field most_foreign? integer at most so many foreign tones are listed; at least 0 and at most 1000; default: 5
---@field lowest? number Hz; nothing is looked for below; above 0; default: 20
---@field highest? number Hz; nor above; not given: 0.49 of the sample rate; at least 0
---@field silence? number dB; a quieter capture is silent; not given: -80, in Pa 20
---@field channel? integer of the capture, from 1; not given: 1
---@field mix? boolean take the mean of all channels

---@class Harmonic
---@field number integer 2 is twice the frequency of the tone
---@field frequency number Hz
---@field level number dB; relative to the tone

---@class ForeignTone
---@field frequency number Hz
---@field level number dB; relative to the intended tone

---@class ToneResult
---@field found boolean a tone is there: 15 dB out of the noise, within pitch_tolerance
---@field frequency number Hz; 0 without a tone
---@field cents number cent; against the intended frequency; 0 without that, 1200 without a tone
---@field amplitude number unit of the capture; peak; 0 without a tone
---@field level number dB; re a full-scale sine, in Pa re 20 µPa rms; -200 without a tone
---@field thd number %; harmonics over tone and harmonics (THD_R, IEC 60268-3); 100 without a tone
---@field thdf number %; harmonics over the tone alone (THD_F, IEEE Std 1241); 100 without a tone
---@field thdn number %; all but the tone over all, up to half the sample rate; 100 without a tone
---@field sinad number dB; the tone over all else (IEEE Std 1241); -200 without a tone, 200 at most
---@field snr number dB; as sinad, the harmonics left out as well
---@field enob number bit; effective bits (IEEE Std 1241) of a capture in full scale; else 0
---@field sfdr number dB; the tone over the largest line besides it; -200 without a tone
---@field noise_floor number dB; median of what is left, as the level of a tone that equals it
---@field harmonics Harmonic[] from the second on
---@field foreign ForeignTone[] standing out of the noise, strongest first
---@field foreign_level number dB; of the strongest line that is no harmonic; 0 without a tone
---@field foreign_frequency number Hz; where that line is; 0 without a tone
---@field dc number unit of the capture; the offset
---@field clipped boolean the tops are cut off: nothing else can be trusted
---@field silent boolean the whole capture is quieter than silence

---One steady tone: how it sounds, and what else sounds with it.
---@param sound Samples
---@param options? ToneOptions
---@return ToneResult
function measure.tone(sound, options) end

---@class TonesOptions
---@field most_tones? integer at most so many tones; at least 1 and at most 1000; default: 5
---@field channel? integer of the capture, from 1; not given: 1
---@field mix? boolean take the mean of all channels
---@field lowest? number Hz; nothing below is looked at; above 0; default: 20
---@field highest? number Hz; nor above; not given: 0.49 of the sample rate; at least 0
---@field window? string hann, hamming, blackman, blackman-harris, flat-top, hft70, hft90d, hft95, rectangular
---@field silence? number dB; a quieter capture is silent; not given: -80, in Pa 20

---@class Tone
---@field frequency number Hz
---@field amplitude number unit of the capture; peak
---@field level number dB; re a full-scale sine, in Pa re 20 µPa rms

---@class TonesResult
---@field tones Tone[] strongest first
---@field noise_floor number dB; median of the spectrum, as the level that a tone would need to equal it
---@field dc number unit of the capture; the offset
---@field clipped boolean the tops are cut off
---@field silent boolean the whole capture is quieter than silence

---The strongest tones there are.
---@param sound Samples
---@param options? TonesOptions
---@return TonesResult
function measure.tones(sound, options) end

---@class Note
---@field pitch number Hz
---@field length number s

---@class TuneOptions
---@field score? Note[] what should be heard, 1 to 1000 notes in order: 1047:0.15,1319:0.15
---@field skip? number s; passed over at the beginning of the capture; at least 0
---@field pitch_tolerance? number cent; a note further from its pitch is a wrong one; above 0; default: 50
---@field channel? integer of the capture, from 1; not given: 1
---@field mix? boolean take the mean of all channels
---@field silence? number dB; a quieter capture is silent; not given: -80, in Pa 20

---@class NoteFound
---@field start number s; where the sound reaches half its amplitude
---@field length number s; between the half amplitudes
---@field pitch number Hz
---@field level number dB; of the fundamental, re a full-scale sine, in Pa re 20 µPa rms
---@field thd number %; harmonics 2 to 10 over all (THD_R, IEC 60268-3)
---@field number integer of the note in the score, from 1; 0: an extra note
---@field cents number cent; pitch against the score's; 0 for an extra note
---@field length_error number %; length against the score's, 10 is a tenth too long; 0 for an extra note

---@class TuneResult
---@field notes NoteFound[] as they were heard
---@field right integer notes of the score heard with the right pitch
---@field missing integer notes of the score not heard at all
---@field wrong integer notes heard in place of one of the score with another pitch
---@field extra integer notes beyond those of the score
---@field worst_cents number cent; largest distance from the score, without sign, at most 1200: missing
---@field worst_length number %; largest error of a length, without sign; 100 or more: missing
---@field level number dB; of the notes, averaged by energy, re a full-scale sine, in Pa re 20 µPa rms
---@field weakest_level number dB; of the weakest note heard; with no note as level
---@field thd number %; of the worst note; 100 with no note
---@field foreign_level number dB; of the strongest tone that is no note, relative to the note; 0 with no note
---@field foreign_frequency number Hz; 0 with no note
---@field foreign_steady boolean the foreign tone is there under most notes
---@field clipped boolean the tops are cut off, anywhere in the capture
---@field silent boolean even the loudest 5 ms are quieter than silence
---@field dc number unit of the capture; the offset
---@field noise_floor number dB; rms of the quietest tenth of the capture, as level

---Notes against a score.
---@param sound Samples
---@param options? TuneOptions
---@return TuneResult
function measure.tune(sound, options) end

---@class SineOptions
---@field frequency? number Hz; where the sine is; not given: where the spectrum is strongest; at least 0
---@field fixed_frequency? boolean the frequency is exact: fit three parameters, not four
---@field channel? integer of the capture, from 1; not given: 1
---@field mix? boolean take the mean of all channels

---@class SineResult
---@field frequency number Hz
---@field amplitude number unit of the capture; peak
---@field phase number rad; of a cosine, at the first sample; -π to π
---@field dc number unit of the capture; the offset
---@field residual number unit of the capture; rms of what is left
---@field sinad number dB; rms of the sine over residual; 200 if nothing is left

---The sine that fits best (IEEE Std 1057).
---@param samples Samples
---@param options? SineOptions
---@return SineResult
function measure.sine(samples, options) end

---@class LevelOptions
---@field channel? integer of the capture, from 1; not given: 1
---@field mix? boolean take the mean of all channels
---@field silence? number dB; a quieter capture is silent; not given: -80, in Pa 20

---@class LevelResult
---@field rms number unit of the capture; about dc
---@field peak number unit of the capture; largest distance from dc
---@field crest number pure number; peak over rms, 1.414 for a sine; 0 for a constant capture
---@field level number dB; of rms, unweighted
---@field level_a number dB; A-weighted (IEC 61672-1)
---@field level_c number dB; C-weighted (IEC 61672-1)
---@field peak_level number dB; of peak: in Pa re 20 µPa, else re 1 (full scale)
---@field dc number unit of the capture; the mean
---@field clipped boolean the tops are cut off: the true level is higher
---@field silent boolean level is below silence

---How loud a capture is as a whole, A- and C-weighted.
---@param sound Samples
---@param options? LevelOptions
---@return LevelResult
function measure.level(sound, options) end

---@class SteadyResult
---@field mean number unit of the capture
---@field sd number unit of the capture; standard deviation of the samples (n - 1)
---@field min number unit of the capture
---@field max number unit of the capture
---@field peak_to_peak number unit of the capture; max - min
---@field uncertainty number unit of the capture; of the mean, expanded (k = 2), as far as the capture shows it
---@field drift number unit of the capture; from beginning to end, by the line of least squares
---@field settled boolean the four quarters have one mean, but for scatter or 2 %

---A quantity that should stand still.
---@param samples Samples
---@return SteadyResult
function measure.steady(samples) end

---@class InrushResult
---@field peak number A; the largest sample
---@field peak_at number s; from the start of the capture
---@field onset number s; from the start: the first sample of at least a tenth of the peak
---@field final number A; median of the last quarter
---@field charge number C; above the final current, from the onset on
---@field duration number s; how long more than a tenth of the peak's excess is drawn

---The current just after switching on.
---@param current Samples A
---@return InrushResult
function measure.inrush(current) end

---Whether the unit runs, by the current it draws.
---@param current Samples A
---@param threshold number capture
---@return boolean
function measure.started(current, threshold) end

---@class DecayOptions
---@field resistance? number Ohm; of the RC pair, where known; at least 0
---@field capacitance? number F; of the RC pair, where known; at least 0

---@class DecayResult
---@field final number unit of the capture; where it goes: of a unit that is off, its leakage
---@field uncertainty number unit of the capture; of final, expanded (k = 2)
---@field amplitude number unit of the capture; above final at the start; 0 if nothing decays
---@field tau number s; the time constant
---@field tau_uncertainty number s; expanded (k = 2)
---@field resistance number Ohm; tau over the capacitance given
---@field capacitance number F; tau over the resistance given
---@field decays boolean an exponential explains the capture clearly better than a constant
---@field residual number unit of the capture; rms of what the fit leaves

---Leakage under a decay: final value and time constant.
---@param samples Samples
---@param options? DecayOptions
---@return DecayResult
function measure.decay(samples, options) end

---@class SettlingOptions
---@field settled_within? number %; of the final value: so near counts as settled; at least 0; default: 2
---@field band? number unit of the capture; the same in the capture's unit; the wider of the two counts; at least 0

---@class SettlingResult
---@field final number unit of the capture; mean of the last quarter
---@field uncertainty number unit of the capture; of final, expanded (k = 2), as steady gives it
---@field time number s; until it was in the band for good
---@field overshoot number unit of the capture; beyond final, seen from the first sample; 0 if none
---@field settled boolean

---How a quantity comes to rest.
---@param samples Samples
---@param options? SettlingOptions
---@return SettlingResult
function measure.settling(samples, options) end

---@class RippleOptions
---@field lowest? number Hz; of the band of the tone; not given: three periods in the capture; at least 0
---@field highest? number Hz; of that band; not given: 0.48 of the sample rate; at least 0

---@class RippleResult
---@field mean number unit of the capture
---@field rms number unit of the capture; of all that is not the mean or the drift
---@field peak_to_peak number unit of the capture
---@field frequency number Hz; of the strongest tone in the band
---@field amplitude number unit of the capture; peak, of that tone; 0 if there is none
---@field share number %; of the ripple's power that is this tone's; small: mere noise

---What lies on a steady value.
---@param samples Samples
---@param options? RippleOptions
---@return RippleResult
function measure.ripple(samples, options) end

---@class ChargeOptions
---@field from? number s; beginning of the window, from the start of the capture; at least 0
---@field to? number s; its end; not given: the last sample; at least 0
---@field voltage? number V; constant during the window; for the energy

---@class ChargeResult
---@field duration number s
---@field charge number C; 1 A·h is 3600 C
---@field energy number J
---@field mean number A; charge over duration
---@field rms number A
---@field peak number A; the largest sample in the window, its ends included
---@field peak_at number s; from the start of the capture

---Charge and energy of a current over a window.
---@param current Samples A
---@param options? ChargeOptions
---@return ChargeResult
function measure.charge(current, options) end

---@class EnergyOptions
---@field from? number s; beginning of the window, from the start of the current's capture; at least 0
---@field to? number s; its end; not given: the last sample; at least 0

---Charge and energy, with the voltage captured beside.
---@param current Samples A
---@param voltage Samples V
---@param options? EnergyOptions
---@return ChargeResult
function measure.energy(current, voltage, options) end

---@class VoltageStep
---@field voltage number V
---@field running boolean the unit ran once that had settled

---@class BrownOutResult
---@field drop_out number V; the lowest at which it still ran before it stopped
---@field stopped_at number V; the next, at which it did not
---@field drop_out_bound string less: it never stopped; more: it never ran
---@field recovery number V; at which it ran again
---@field still_off_at number V; the one before, at which it did not
---@field recovery_bound string more: it stopped and never ran again
---@field hysteresis number V; recovery - drop_out
---@field uncertainty number V; of hysteresis, the steps' widths together
---@field sweeps integer times it stopped
---@field erratic integer stops and starts that the voltage does not explain

---Where a unit stops and where it runs again.
---@param steps VoltageStep[]
---@return BrownOutResult
function measure.brown_out(steps) end

---@class DutyPhase
---@field current number A; the mean drawn from the cell
---@field time number s

---@class BatteryOptions
---@field capacity? number C; nominal; 1 A·h is 3600 C; above 0
---@field derating? number %; of it that the cell gives in this use; above 0 and at most 100; default: 100
---@field cut_off? number %; of that which is left when the unit stops; at least 0 and below 100
---@field self_discharge? number %; that the cell loses by itself in 30 days; at least 0 and below 100

---@class BatteryResult
---@field life number s
---@field mean number A; drawn by the unit over the duty profile
---@field usable number C; between full and cut-off
---@field drawn number C; of that, which the unit draws
---@field self_discharged number C; of that, which self-discharge takes
---@field rounds number pure number; times the duty profile is gone through
---@field derated number C; the capacity after derating

---How long a cell lasts under a duty profile.
---@param duty DutyPhase[]
---@param options? BatteryOptions
---@return BatteryResult
function measure.battery_life(duty, options) end

---The time an exponential takes between two values.
---@param tau number s
---@param from number 1
---@param to number 1
---@param towards number 1
---@return number s
function measure.rc_time(tau, from, to, towards) end

---Where an exponential is after a time.
---@param tau number s
---@param from number 1
---@param towards number 1
---@param after number s
---@return number 1
function measure.rc_level(tau, from, towards, after) end

---@class TravelOptions
---@field channel? integer of the receiver, that the axis moves; at least 1
---@field axis? string of the path, as left_x; needed
---@field skip? number s; passed over at each dwell's start, after the lag; at least 0; default: 0.05

---@class DirtySpot
---@field from number % of throw; commanded
---@field to number % of throw; commanded
---@field dropouts integer times
---@field frames_out integer frames that were out of the way
---@field furthest number % of throw; the value furthest from the expected one

---@class TravelPoint
---@field cycle integer any number that tells the cycles apart
---@field up boolean reached upwards
---@field commanded number unit of the position
---@field output number unit of the output

---@class TravelResult
---@field low_end number % of throw; mean output at the lowest position
---@field high_end number % of throw; mean output at the highest position
---@field centre number % of throw; mean output at position 0, interpolated
---@field follows number pure number; slope of output against command: 1 full throw, 0 dead, negative reversed
---@field hysteresis number % of span; largest difference between the ways up and down at one position
---@field play number % of throw; of the stick: backlash
---@field non_linearity number % of span; terminal-based: of the average curve from the line through its ends
---@field independent number % of span; the same from the line of the smallest largest distance
---@field zero_based number % of span; from such a line through the low end
---@field least_squares number % of span; from the line of least squares
---@field repeatability number % of span; largest difference at one position reached from one side
---@field dead_band number % of throw; of the stick around the centre
---@field noise number % of throw; rms about the mean of each dwell, pooled
---@field noise_peak number % of throw; the largest single distance from the mean of a dwell
---@field noise_peak_to_peak number % of throw; within one dwell, the largest
---@field step number % of throw; smallest difference between two values heard; 0 if only one was
---@field resolution number % of throw; the smallest movement that stands out of the noise
---@field effective_bits number bit; of an ideal converter with the same noise; 0 when the output does not move
---@field dropouts integer times the output left its way, for one frame or several in a row
---@field spots DirtySpot[] where the dropouts were on the travel, ascending
---@field monotonic boolean the average curves never turn back by more than 0.5 % of throw
---@field lag number s; output behind stick, median over movements; 0 if none could be timed
---@field heard integer frames used
---@field points TravelPoint[] the settled values, for travel_points

---How a channel follows its stick (IEC 61298-2).
---@param frames Frames
---@param path Path
---@param options? TravelOptions
---@return TravelResult
function measure.travel(frames, path, options) end

---@class TravelPointsOptions
---@field output_low? number unit of the output; ideal output at the lowest position; not given: that position
---@field output_high? number unit of the output; ideal output at the highest position; not given: that position
---@field span? number unit of the output; what 100 % is; not given: the ideal output from end to end; at least 0
---@field same_position? number % of span; positions so near together count as one; above 0 and below 50; default: 1e-6
---@field slack? number % of span; the step back that still counts as monotonic; above 0; default: 0.25

---@class StraightLine
---@field slope number unit of the output over that of the position
---@field intercept number unit of the output; at commanded 0
---@field non_linearity number % of span; the largest distance of the average curve from the line
---@field at number unit of the position; where that is

---@class CurvePoint
---@field commanded number unit of the position
---@field upwards number unit of the output; average on the way up
---@field downwards number unit of the output; average on the way down
---@field mean number unit of the output; of the two

---@class TravelPointsResult
---@field positions integer different commanded positions
---@field cycles integer
---@field span number unit of the output; what 100 % is
---@field low_end number unit of the output; average at the lowest position
---@field high_end number unit of the output; average at the highest position
---@field inaccuracy_above number % of span; largest error of any single reading
---@field inaccuracy_below number % of span; smallest, with its sign
---@field error_above number % of span; measured error: the largest of the averages up and down
---@field error_below number % of span; smallest, with its sign
---@field hysteresis number % of span; largest difference between the averages up and down
---@field hysteresis_at number unit of the position; where that is
---@field median_hysteresis number % of span; positive where up lags
---@field repeatability number % of span; largest difference at one position reached from one side
---@field repeatability_at number unit of the position; where that is
---@field repeatability_sd number % of span; standard deviation pooled over all
---@field terminal_line StraightLine through the ends of the average curve
---@field independent_line StraightLine of the smallest largest distance
---@field zero_line StraightLine through the lower end, of the smallest largest distance
---@field least_squares_line StraightLine of least squares
---@field monotonic boolean no way turns back by more than the slack
---@field turns_back number % of span; the largest step back on the way up or down
---@field curve CurvePoint[] the averages by position, ascending

---The same from a table of settled readings.
---@param points TravelPoint[]
---@param options? TravelPointsOptions
---@return TravelPointsResult
function measure.travel_points(points, options) end

---@class DeadBandOptions
---@field channel? integer of the receiver, that the axis moves; at least 1
---@field axis? string of the path, as left_x; needed
---@field lag? number s; as travel finds it; for the middle only

---@class DeadBandResult
---@field width number % of throw; of the stick: the larger of those found upwards and downwards
---@field bound string more: it reaches beyond the sweep
---@field middle number % of throw; position of its middle, where it is wider than its uncertainty
---@field uncertainty number % of throw; of the width, expanded (k = 2), as far as the capture shows it
---@field follows number pure number; slope of output against command beside the dead band
---@field heard integer frames used

---The way around the centre on which nothing follows.
---@param frames Frames
---@param paths Path[]
---@param options? DeadBandOptions
---@return DeadBandResult
function measure.dead_band(frames, paths, options) end

---@class TrackingOptions
---@field channel? integer of the receiver, that the axis moves; at least 1
---@field axis? string of the path, as left_x; needed
---@field skip_way? number % of throw; passed over after each start or turn; at least 0; default: 10

---@class TrackingResult
---@field lag number s; output behind command
---@field lag_uncertainty number s; expanded (k = 2), of the scatter only
---@field play number % of throw; of the stick: backlash
---@field play_uncertainty number % of throw; expanded (k = 2), of the scatter only
---@field follows number pure number; slope of output against command
---@field residual number % of throw; rms of what the model leaves
---@field heard integer frames used

---Lag and play of a stick on the move, parted.
---@param frames Frames
---@param paths Path[]
---@param options? TrackingOptions
---@return TrackingResult
function measure.tracking(frames, paths, options) end

---@class CrossTalkOptions
---@field channel? integer of the receiver, that the axis is meant to move; at least 1
---@field axis? string of the path, as left_x; needed
---@field channels? integer[] the others to look at, as 2,3,4; not given: all; at least 1
---@field lag? number s; as travel finds it
---@field skip? number s; passed over at each dwell's start, after the lag; at least 0; default: 0.05

---@class ChannelResponse
---@field channel integer
---@field gain number %; of throw that a full throw of the axis moves it, by least squares
---@field uncertainty number %; of gain, expanded (k = 2)
---@field response number % of throw; largest less smallest mean at one position
---@field movement number % of throw; largest less smallest value while the axis moves

---@class CrossTalkResult
---@field responses ChannelResponse[] of each channel, in the order asked for
---@field worst number % of throw; the largest response
---@field channel integer which has it; 0 if nothing was heard
---@field follows number pure number; slope of the axis' own channel, to show that it moved

---What other channels do while one stick moves.
---@param frames Frames
---@param path Path
---@param options? CrossTalkOptions
---@return CrossTalkResult
function measure.cross_talk(frames, path, options) end

---@class Release
---@field from number pure number; side it came from: below 0 the low side, above 0 the high side
---@field frames Frames what was heard while it rested

---@class CentreOptions
---@field channel? integer of the receiver; at least 1
---@field skip? number s; passed over at the beginning of each release; at least 0

---@class CentreResult
---@field offset number % of throw; mean of the mean resting values from the two sides
---@field play number % of throw; mean resting value from the high side less that from the low side
---@field spread number % of throw; largest less smallest resting value
---@field from_low number % of throw; mean resting value from the low side
---@field from_high number % of throw; mean resting value from the high side
---@field spread_low number % of throw; spread of those from the low side, play apart
---@field spread_high number % of throw; spread of those from the high side
---@field noise number % of throw; rms within 50 ms, pooled over all rests
---@field wiggle number % of throw; slow wander: spread of the means over 50 ms, the worst rest
---@field noise_peak_to_peak number % of throw; within 50 ms, the largest
---@field heard integer frames used
---@field silent_releases integer releases of which nothing was heard

---Where a stick comes to rest.
---@param releases Release[]
---@param options? CentreOptions
---@return CentreResult
function measure.centre(releases, options) end

---@class SwitchOptions
---@field channel? integer of the receiver; at least 1

---@class SwitchResult
---@field at_off number % of throw; median in position off
---@field at_on number % of throw; median in position on
---@field moves boolean the two differ by 100 % of throw or more
---@field bounces integer changes by more than a quarter of the way from one frame to the next

---A switch in its two positions.
---@param off Frames
---@param on Frames
---@param options? SwitchOptions
---@return SwitchResult
function measure.switch(off, on, options) end

---@class LinkOptions
---@field period? number s; between frames; 0: of the bench file, else measured; at least 0 and at most 1

---@class Interval
---@field low number
---@field high number

---@class LinkPart
---@field from number s; when it begins
---@field period number s; between two frames when none is lost
---@field expected integer frames that should have come in it
---@field lost integer of them

---@class LinkResult
---@field expected integer frames that should have come in the time listened
---@field received integer frames that carried something new
---@field lost integer expected - received
---@field error_rate number %; lost of expected; 100 when nothing came
---@field interval Interval %; two-sided 95 % interval of the error rate, with bursts, ends and lateness
---@field least number %; so much was lost at least, whatever the time between frames is
---@field upper number %; one-sided 95 % upper bound of the error rate, for independent losses
---@field exact Interval %; two-sided 95 % interval for independent losses (Clopper-Pearson)
---@field wilson Interval %; the same by the score
---@field longest_gap number s; without a new frame, ends of the capture included
---@field burst_length number pure number; mean number of frames lost in a row; 0 without a loss
---@field longest_burst integer most frames lost in a row
---@field failsafe boolean the receiver said so at least once
---@field period number s; between two frames when none is lost; of the longest part
---@field measured boolean the period was measured from the frames, not given
---@field unknown string why the time between frames is not known; empty if it is
---@field parts LinkPart[] where the frame rate changed: one for each rate

---How much of what was sent arrived.
---@param frames Frames
---@param options? LinkOptions
---@return LinkResult
function measure.link(frames, options) end

---@class ElliottFit
---@field fitted boolean there are losses enough to tell the states apart
---@field enter number pure number; chance from one frame to the next of going from good to bad
---@field leave number pure number; chance of going back
---@field good_loss number pure number; chance of a loss in the good state
---@field bad_loss number pure number; chance of a loss in the bad state

---@class BurstResult
---@field expected integer frames that should have come in the time listened
---@field lost integer of them
---@field bursts integer runs of lost frames
---@field burst_length number pure number; mean number of frames lost in a row
---@field longest_burst integer most frames lost in a row
---@field enter number pure number; chance that a loss follows a received frame (Gilbert 1960)
---@field leave number pure number; chance that a received frame follows a loss
---@field independence number pure number; chance of so uneven pairs if losses were independent; small: bursts
---@field inflation number pure number; by how much bursts widen the variance of the error rate; 1: independent
---@field upper number %; one-sided 95 % upper bound of the error rate, inflation allowed for
---@field elliott ElliottFit a good and a bad state, each with its own loss

---Whether losses come alone or in bursts.
---@param frames Frames
---@return BurstResult
function measure.bursts(frames) end

---@class SweepPoint
---@field attenuation number dB
---@field lost integer packets
---@field sent integer packets

---@class SweepOptions
---@field error_rate? number %; of packets lost, whose attenuation is wanted; above 0 and at most 50; default: 1
---@field confidence? number %; of the interval; at least 50 and below 100; default: 95
---@field shape? string of the curve: logistic or probit; default: logistic

---@class SweepResult
---@field attenuation number dB; with a bound, the end of the sweep beyond which it lies
---@field bound string more: even the last point loses less; less: even the first loses more
---@field interval Interval dB; of attenuation, by profile likelihood
---@field uncertainty number dB; half the interval, as expanded uncertainty
---@field edge_width number dB; from 10 % to 90 % lost
---@field floor number %; lost whatever the attenuation, as fitted
---@field dispersion number pure number; scatter of the points over that of independent losses; 1 or more
---@field attenuations integer different ones

---The attenuation at which a link reaches an error rate.
---@param counts SweepPoint[]
---@param options? SweepOptions
---@return SweepResult
function measure.sweep(counts, options) end

---@class CompareOptions
---@field confidence? number %; of the two-sided interval; at least 50 and below 100; default: 95
---@field margin? number %; from which on a difference matters; at least 0
---@field inflation? number pure number; for losses in bursts, as bursts measures it; at least 1; default: 1

---@class CompareResult
---@field difference number %; of all frames; positive: the unit is worse
---@field interval Interval %; of the difference (Newcombe 1998)
---@field confidence number %; of the interval
---@field worse boolean the interval lies above 0: the unit is worse
---@field not_worse boolean the interval lies below the margin

---The losses of a unit against the golden unit's.
---@param lost integer
---@param sent integer
---@param golden_lost integer
---@param golden_sent integer
---@param options? CompareOptions
---@return CompareResult
function measure.compare(lost, sent, golden_lost, golden_sent, options) end

---The same from captures of the two.
---@param unit Frames
---@param golden Frames
---@param options? CompareOptions
---@return CompareResult
function measure.compare_frames(unit, golden, options) end

---@class SequentialOptions
---@field good? number %; lost by a unit that must be accepted; above 0 and below 100
---@field bad? number %; lost by a unit that must be rejected; above 0 and below 100
---@field alpha? number pure number; chance of rejecting a good unit; above 0 and below 1; default: 0.05
---@field beta? number pure number; chance of accepting a bad one; above 0 and below 1; default: 0.05
---@field most_packets? integer after which it decides in any case; not given: 1 to 3 times fixed_packets; at least 0 and at most 300000
---@field inflation? number pure number; for losses in bursts, as bursts measures it; at least 1 and at most 1000; default: 1

---@class SequentialResult
---@field decision string accept, reject or continue
---@field truncated boolean decided because most_packets was reached, not by crossing a line
---@field accept_up_to integer losses that accept at this number of packets, -1: none does yet
---@field reject_from integer losses that reject
---@field more_packets integer until it can accept at the earliest, if none is lost; 0 once decided
---@field most_packets integer after which it decides in any case

---Whether enough packets were sent to accept or reject a unit.
---@param lost integer
---@param sent integer
---@param options? SequentialOptions
---@return SequentialResult
function measure.sequential(lost, sent, options) end

---The same from one capture.
---@param frames Frames
---@param options? SequentialOptions
---@return SequentialResult
function measure.sequential_frames(frames, options) end

---@class SequentialPlanResult
---@field slope number pure number; s: losses per packet
---@field accept_intercept number pure number; h1: losses
---@field reject_intercept number pure number; h2: losses
---@field first_accept integer packets after which a unit without loss is accepted
---@field most_packets integer after which it decides in any case
---@field max_accept integer losses up to which it then accepts, -1: none
---@field fixed_packets integer that a test of fixed size needs for the same alpha and beta
---@field fixed_accept integer losses that one accepts (exact binomial)
---@field alpha number pure number; risk that the truncated test really has, summed exactly
---@field beta number pure number; the other
---@field packets_good number pure number; packets that it needs on average for a unit at good
---@field packets_bad number pure number; packets that it needs on average for a unit at bad

---What a sequential test of the packet error rate will take.
---@param options? SequentialOptions
---@return SequentialPlanResult
function measure.sequential_plan(options) end

---@class DistanceOptions
---@field frequency? number Hz; of the link; above 0
---@field bench_loss? number dB; of the bench besides its attenuator: cables, coupler, chamber
---@field antenna_gain? number dB; of both antennas together in use, dBi
---@field wood? number m; of the path that lie in woodland; at least 0
---@field wood_a1? number dB; A1 of ITU-R P.833; not given: 0.18; at least 0
---@field wood_alpha? number pure number; alpha of ITU-R P.833; not given: 0.752; at least 0
---@field wood_specific? number dB/m; of the first metres of woodland; not given: 0.05 at 900 MHz; at least 0

---@class DistanceResult
---@field distance number m; between the antennas
---@field free_space number dB; of the path loss due to distance (ITU-R P.525)
---@field woodland number dB; of it due to woodland (ITU-R P.833)
---@field far_field boolean ten wavelengths or more; nearer, neither formula holds

---Attenuation as distance between antennas.
---@param attenuation number dB
---@param options? DistanceOptions
---@return DistanceResult
function measure.distance(attenuation, options) end

---Distance between antennas as attenuation.
---@param distance number m
---@param options? DistanceOptions
---@return number dB
function measure.attenuation(distance, options) end

---@class Bin
---@field from number unit of the values
---@field to number unit of the values; not included
---@field count integer values in it

---@class LatencyResult
---@field trials integer
---@field answered integer
---@field missed integer trials without answer
---@field mean number s
---@field median number s
---@field sd number s; n - 1; 0 for one answer
---@field p95 number s; 95th percentile, rank p(N+1)
---@field p99 number s; 99th percentile
---@field needed_p95 integer answers from which on p95 is given
---@field needed_p99 integer answers from which on p99 is given
---@field min number s
---@field max number s
---@field jitter number s; mean difference of answers that followed each other
---@field histogram Bin[] of the answers, bins as histogram chooses them

---The time from a movement to its answer.
---@param times number[]
---@return LatencyResult
function measure.latency(times) end

---@class StartTrial
---@field off number s; without power before the start
---@field started boolean

---@class RestartResult
---@field shortest_off number s; after which it started, of those longer than any after which it did not
---@field bound string more: not after the longest time tried; less: it always started
---@field longest_failed number s; 0 when it always started
---@field trials integer

---How long a unit must be off before it starts again.
---@param trials StartTrial[]
---@return RestartResult
function measure.restart(trials) end

---@class StartCurveOptions
---@field reliability? number pure number; chance of starting that counts as reliable; above 0 and below 1; default: 0.9
---@field confidence? number %; of every statement; at least 50 and below 100; default: 90
---@field fall_to? number %; of its first voltage, where the node lets the unit start again; at least 0 and below 100
---@field capacitance? number F; of that node; not given: no resistance; at least 0

---@class StartLevel
---@field off number s
---@field trials integer
---@field starts integer of trials
---@field probability number pure number; starts over trials
---@field interval Interval pure number; of the probability, two-sided, Clopper-Pearson
---@field reliable boolean the lower bound of the probability is reliability or more

---@class StartCurveResult
---@field levels StartLevel[] by rising time off
---@field reliable_off number s; the shortest that is reliable
---@field needed integer trials at one time off, all of them started, that make it reliable
---@field half_off number s; after which half of the starts succeed
---@field half_off_interval Interval s
---@field time_constant number s; of the node
---@field time_constant_interval Interval s
---@field resistance number Ohm; discharges it
---@field resistance_interval Interval Ohm

---The probability of starting against time off.
---@param trials StartTrial[]
---@param options? StartCurveOptions
---@return StartCurveResult
function measure.start_curve(trials, options) end

---@class NextOffOptions
---@field shortest? number s; time off; above 0
---@field longest? number s; time off; above 0
---@field ratio? number pure number; of neighbouring times off at which bisecting ends; at least 1.001; default: 1.1
---@field reliability? number pure number; chance of starting that counts as reliable; above 0 and below 1; default: 0.9
---@field confidence? number %; of every statement; at least 50 and below 100; default: 90
---@field most_trials? integer after which it ends in any case; at least 1; default: 100

---@class NextOffResult
---@field off number s; to leave the unit off next
---@field done boolean
---@field ending string when done: found, never (not even after longest), trials (no more of them)
---@field reliable_off number s; when found

---Which time off to try next.
---@param trials StartTrial[]
---@param options? NextOffOptions
---@return NextOffResult
function measure.next_off(trials, options) end

---Trials without a failure that show a reliability.
---@param reliability number 1
---@param confidence number %
---@return integer 1
function measure.success_run(reliability, confidence) end

---@class ColourOptions
---@field left? integer of the region, in pixels from the picture's left edge; at least 0
---@field top? integer of the region, in pixels from the picture's upper edge; at least 0
---@field columns? integer of pixels in the region; not given: to the right edge; at least 0
---@field rows? integer of pixels in the region; not given: to the lower edge; at least 0
---@field white? string that purity counts from: D65, or E, as data sheets have it; default: D65
---@field full? integer code of a channel from which on a pixel is clipped; at least 1 and at most 255; default: 253
---@field may_clip? number %; of the pixels; with more clipped there is no colour; above 0 and at most 50; default: 0.5
---@field darkest? number %; luminance below which the region has no colour; above 0 and at most 100; default: 0.2

---@class ColourResult
---@field pixels integer in the region
---@field clipped_share number %; of the pixels, with a channel at full scale
---@field edge_share number %; of the pixels, with a channel at 0: at the edge of sRGB
---@field chromaticity_x number pure number; CIE 1931 x
---@field chromaticity_y number pure number; CIE 1931 y
---@field luminance number %; relative, 100 % is the picture's white
---@field dominant_wavelength number m; where the line from white ends
---@field complementary_wavelength number m; of purple: where it ends backwards
---@field purity number %; excitation purity, 100 % is the spectrum
---@field hue number deg; CIELAB hue angle, 0 to 360
---@field uniformity number %; darkest of 3 x 3 cells over brightest
---@field colour_spread number pure number; largest distance of two in u', v'

---Colour and luminance of a region of a picture (CIE 1931).
---@param picture Picture
---@param options? ColourOptions
---@return ColourResult
function measure.colour(picture, options) end

---@class BlinkSample
---@field time number s
---@field brightness number unit of the brightness

---@class BlinkOptions
---@field least_flicker? number %; percent flicker below which the light is steady; above 0 and at most 100; default: 20

---@class BlinkResult
---@field blinks boolean it goes on and off
---@field flashes integer times on with their beginning and end
---@field on_time number s; mean of the flashes
---@field off_time number s; mean of the times between flashes
---@field period number s; mean from flash to flash
---@field jitter number s; longest less shortest period
---@field duty number %; on_time over period
---@field dimmest number unit of the brightness
---@field brightest number unit of the brightness
---@field percent_flicker number %; brightest less dimmest over their sum
---@field flicker_index number pure number; share of the light above its mean
---@field spacing number s; longest time between two samples: half of it is how far off each edge may be

---How a lamp blinks or flickers.
---@param lamp BlinkSample[]
---@param options? BlinkOptions
---@return BlinkResult
function measure.blink(lamp, options) end

---@class PictureOptions
---@field left? integer of the region, in pixels from the picture's left edge; at least 0
---@field top? integer of the region, in pixels from the picture's upper edge; at least 0
---@field columns? integer of pixels in the region; not given: to the right edge; at least 0
---@field rows? integer of pixels in the region; not given: to the lower edge; at least 0
---@field max_shift? integer pixels by which the unit may lie elsewhere, each way; at least 1 and at most 64; default: 8
---@field dark? boolean segments are dark on a light ground
---@field smallest_segment? integer pixels of a segment that counts; at least 1; default: 6
---@field missing_at? number %; of its pixels from which on it is missing; above 0 and at most 100; default: 50

---@class PictureResult
---@field shift_x number pure number; pixels to the right of the reference
---@field shift_y number pure number; pixels downwards
---@field likeness number %; correlation of the luminance there, 100 % is alike
---@field contrast number %; of segments to their ground, of the reference's contrast
---@field deviation number %; rms of what differs, of the contrast
---@field segments integer of the reference
---@field missing_segments integer of them
---@field missing_share number %; of the pixels of all segments
---@field extra_share number %; of the ground's pixels, lit where nothing should be
---@field dead_columns integer missing from top to bottom, neighbours as one
---@field dead_column_at number pure number; column of the reference of the first of them
---@field dead_rows integer missing from left to right, neighbours as one
---@field dead_row_at number pure number; row of the reference of the first of them

---A region of a picture against a reference: segments, dead columns.
---@param picture Picture
---@param reference Picture
---@param options? PictureOptions
---@return PictureResult
function measure.picture(picture, reference, options) end

---@class SummaryOptions
---@field confidence? number %; of the intervals; at least 50 and below 100; default: 95

---@class SummaryResult
---@field count integer values
---@field mean number unit of the values
---@field sd number unit of the values; n - 1
---@field median number unit of the values
---@field min number unit of the values
---@field max number unit of the values
---@field autocorrelation number pure number; lag 1, about the mean; 0 for constant values
---@field mean_interval Interval unit of the values; of the population's mean (Student's t)
---@field sd_interval Interval unit of the values; of the population's standard deviation (chi-square)

---Mean, spread and intervals of values.
---@param values number[]
---@param options? SummaryOptions
---@return SummaryResult
function measure.summary(values, options) end

---@class PercentileOptions
---@field confidence? number %; of the interval; at least 50 and below 100; default: 95

---@class PercentileResult
---@field value number unit of the values; by rank p(N+1)
---@field interval Interval unit of the values; of the population's percentile, whatever its distribution
---@field confidence number %; of the interval
---@field count integer values
---@field needed integer values from which on value is given

---The value below which a percentage lies.
---@param values number[]
---@param percent number %
---@param options? PercentileOptions
---@return PercentileResult
function measure.percentile(values, percent, options) end

---@class HistogramOptions
---@field bin_width? number unit of the values; not given: by the spread of the values; at least 0

---How often values occur.
---@param values number[]
---@param options? HistogramOptions
---@return Bin[]
function measure.histogram(values, options) end

---@class Pairs
---@field x number[] unit of x
---@field y number[] unit of y

---@class LineResult
---@field intercept number unit of y
---@field slope number unit of y over that of x
---@field intercept_sd number unit of y; standard deviation of the intercept
---@field slope_sd number unit of y over that of x; standard deviation of the slope
---@field residual_sd number unit of y; n - 2
---@field r_squared number pure number; not for a constant y
---@field f number pure number; regression against residual; infinite for points on the line
---@field freedom integer degrees of freedom of the residual, n - 2

---The straight line of least squares.
---@param pairs Pairs
---@return LineResult
function measure.line(pairs) end

---@class OneWayResult
---@field between_freedom integer degrees
---@field within_freedom integer degrees
---@field between_ss number unit of the values, squared; sum of squares
---@field within_ss number unit of the values, squared; sum of squares
---@field between_ms number unit of the values, squared; mean square
---@field within_ms number unit of the values, squared; mean square
---@field f number pure number; between_ms over within_ms
---@field p number pure number; chance of an F this large if the groups were alike
---@field r_squared number pure number
---@field residual_sd number unit of the values

---Whether groups of values have one mean.
---@param groups number[][]
---@return OneWayResult
function measure.one_way(groups) end

---@class Tried
---@field strength number unit of the strength; a severity, or its logarithm
---@field trials integer
---@field caught integer of trials

---@class DetectionOptions
---@field probabilities? number[] pure number; of detection whose strengths are wanted; above 0 and below 1; default: 0.5,0.95
---@field confidence? number %; of the intervals; at least 50 and below 100; default: 95
---@field strengths? number[] unit of the strength; at which the probability of detection is wanted, as 0.1,0.2

---@class Edge
---@field probability number pure number; of detection
---@field strength number unit of the strength; at which it is reached
---@field low number unit of the strength; end of its interval
---@field high number unit of the strength; end of its interval

---@class DetectionResult
---@field edges Edge[] in the order of probabilities
---@field detected number[] pure number; probability at each of strengths

---How the share detected rises with strength.
---@param strengths Tried[]
---@param options? DetectionOptions
---@return DetectionResult
function measure.detection(strengths, options) end

---@class ProportionOptions
---@field confidence? number %; of the intervals; at least 50 and below 100; default: 95

---@class ProportionResult
---@field share number %; events over trials
---@field exact Interval %; Clopper-Pearson: never less than the confidence
---@field wilson Interval %; score: the confidence on average, narrower
---@field confidence number %; of the intervals

---A share of events, with its intervals.
---@param events integer
---@param trials integer
---@param options? ProportionOptions
---@return ProportionResult
function measure.proportion(events, trials, options) end

---The interval of the difference of two shares.
---@param events integer
---@param trials integer
---@param events2 integer
---@param trials2 integer
---@param options? ProportionOptions
---@return Interval %
function measure.difference(events, trials, events2, trials2, options) end

---The interval of an expected count.
---@param count integer
---@param options? ProportionOptions
---@return Interval 1
function measure.poisson(count, options) end
