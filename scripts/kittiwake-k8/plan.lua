-- Stock plan of the Kittiwake K8.
--
-- Order matters: the unit is measured switched off first, then started once for
-- everything that needs it running, and last switched off and on again, since a
-- unit with a slow restart node may not come back for a minute.
--
-- A plan names readings and never holds a limit: limits.toml beside it does.

local search = require "search"

plan { product = "kittiwake-k8", revision = "C", cycle_time = 50, deadline = 180 }

-- The four gimbal axes and the receiver channel that each of them moves.
local axes = {
  { name = "left_x",  channel = 1, part = "left-stick" },
  { name = "left_y",  channel = 2, part = "left-stick" },
  { name = "right_x", channel = 3, part = "right-stick" },
  { name = "right_y", channel = 4, part = "right-stick" },
}

local switches = {
  { name = "switch_a", channel = 5 },
  { name = "switch_b", channel = 6 },
  { name = "switch_c", channel = 7 },
  { name = "switch_d", channel = 8 },
}

-- What the unit plays when it starts: pitch in Hz, length in s.
local score = {
  { pitch = 1047, length = 0.15 },
  { pitch = 1319, length = 0.15 },
  { pitch = 1568, length = 0.15 },
  { pitch = 2093, length = 0.30 },
}

-- Above this current, in A, the unit runs; below, it is off or hung in reset.
local running = 0.06

local tune -- the start-up sound, captured while the unit is switched on

local function positions(where)
  local to = {}
  for _, axis in ipairs(axes) do to[axis.name] = where end
  return to
end

-- Switches the unit on: its current and what it plays.
local function start()
  return together(
    function() return bench.meter:current { over = 0.3, range = 3, rate = 10000 } end,
    function() return bench.microphone:record { over = 1.5 } end,
    function()
      wait(0.05)
      bench.power:on()
    end)
end

-- Off for as long as every good unit needs in order to start again.
local function rest()
  bench.power:off()
  wait(4)
end

check("standby", { about = "Draws next to nothing when switched off", part = "power", vital = true }, function()
  bench.supply:set { voltage = 3.7, current_limit = 1.5 }
  bench.power:off()
  bench.supply:on()
  wait(1.5) -- the input capacitors take their charge
  local capture = bench.meter:current { over = 1, range = 100e-6, rate = 1000 }
  reading("current", measure.steady(capture).mean, "A")
  keep("off_current", capture)
end)

check("inrush", { about = "Does not overload its cell when switched on", part = "power", retake = rest }, function()
  local current
  current, tune = start()
  local found = measure.inrush(current)
  reading("peak", found.peak, "A")
  reading("charge", found.charge, "C")
  keep("inrush", current)
end)

check("running", { about = "Runs, and draws what it should", part = "power", vital = true }, function()
  local capture = bench.meter:current { over = 0.5, range = 0.3, rate = 1000 }
  local found = measure.steady(capture)
  reading("current", found.mean, "A")
  reading("ripple", found.peak_to_peak, "A")
  keep("running_current", capture)
end)

check("tune", { about = "Plays its start-up tune, and nothing else", part = "sounder", retake = function()
  rest()
  local _
  _, tune = start()
end }, function()
  keep("tune", tune)
  local found = measure.tune(tune, { score = score })
  reading("notes", found.right, "1")
  if found.right == 0 then return end
  reading("weakest", found.weakest_level, "dB")
  reading("missing", found.missing, "1")
  reading("wrong", found.wrong, "1")
  reading("extra", found.extra, "1")
  reading("pitch", found.worst_cents, "cent")
  reading("length", found.worst_length, "%")
  reading("distortion", found.thd, "%")
  reading("foreign_level", found.foreign_level, "dB")
  reading("foreign_frequency", found.foreign_frequency, "Hz")
end)

-- Sticks, switches and latency are read at the receiver: without a link there
-- is nothing to read, and the link's own failure says so.
local heard = false
local function is_heard() return heard end

check("link", { about = "Is heard near and far", part = "antenna" }, function()
  for _, place in ipairs { { name = "near", attenuation = 30, over = 1.4 }, { name = "far", attenuation = 60, over = 3 } } do
    bench.attenuator:set(place.attenuation)
    wait(0.1)
    local frames = bench.receiver:record { over = place.over }
    local found = measure.link(frames)
    reading(place.name .. "_error_rate", found.error_rate, "%")
    reading(place.name .. "_longest_gap", found.longest_gap, "s")
    if place.name == "near" then heard = found.error_rate < 50 end
  end
  bench.attenuator:set(30)
end)

check("sticks", { about = "Each stick moves its channel, smoothly and all the way", part = "sticks", deadline = 40, when = is_heard }, function()
  bench.clutch:on()
  bench.sticks:home()
  local names = {}
  for i, axis in ipairs(axes) do names[i] = axis.name end
  local frames, path = together(
    function() return bench.receiver:record { over = 8 } end,
    function() return bench.sticks:sweep { axes = names, points = 11, dwell = 0.13, cycles = 2, rate = 4 } end)
  -- A dead band shows in slow movements only: in the sweep above the stick goes
  -- 3 % of its throw from one frame to the next.
  bench.sticks:move(positions(-0.06), { rate = 4 })
  local slow, ways = together(
    function() return bench.receiver:record { over = 1.4 } end,
    function()
      local up = bench.sticks:move(positions(0.06), { rate = 0.2 })
      return { up, bench.sticks:move(positions(-0.06), { rate = 0.2 }) }
    end)
  for _, axis in ipairs(axes) do
    local found = measure.travel(frames, path, { channel = axis.channel, axis = axis.name })
    local good = true
    local function take(name, value, unit, options)
      if value ~= value and not good then return end -- what already failed may leave the rest without a number
      if reading(axis.name .. "_" .. name, value, unit, options) ~= "pass" then good = false end
    end
    take("follows", found.follows, "1")
    take("dropouts", found.dropouts, "1")
    take("low_end", found.low_end, "%")
    take("high_end", found.high_end, "%")
    take("non_linearity", found.non_linearity, "%")
    take("hysteresis", found.hysteresis, "%")
    local band = measure.dead_band(slow, ways, { channel = axis.channel, axis = axis.name, lag = found.lag })
    take("dead_band", band.width, "%", { bound = band.bound })
    take("noise", found.noise, "%")
  end
  keep("stick_travel", frames)
  keep("stick_path", path)
  keep("stick_slow", slow)
  keep("stick_slow_up", ways[1])
  keep("stick_slow_down", ways[2])
end)

check("centre", { about = "Both sticks come back to one centre", part = "sticks", deadline = 40, when = is_heard }, function()
  local trials = {}
  local from = -1
  for trial = 1, 6 do
    bench.clutch:on()
    bench.sticks:move(positions(from), { rate = 4 })
    wait(0.05)
    bench.clutch:off() -- the fingers let go; the springs take over
    wait(0.3)
    trials[trial] = { from = from, frames = bench.receiver:record { over = 0.25 } }
    from = -from
  end
  bench.sticks:move(positions(0), { rate = 4 }) -- parked, so that the next unit finds the machine where this one did
  for _, axis in ipairs(axes) do
    local found = measure.centre(trials, { channel = axis.channel })
    local function take(name, value) reading(axis.name .. "_" .. name, value, "%") end
    take("offset", found.offset)
    take("play", found.play)
    take("spread", found.spread)
    take("noise", found.noise)
    take("wiggle", found.wiggle)
  end
end)

check("switches", { about = "Every switch reaches both its positions", part = "switches", when = is_heard }, function()
  for _, switch in ipairs(switches) do
    local line = bench[switch.name]
    line:off()
    wait(0.05)
    local off = bench.receiver:record { over = 0.15 }
    line:on()
    wait(0.05)
    local on = bench.receiver:record { over = 0.4 } -- long enough for a contact that fails now and then
    line:off()
    local found = measure.switch(off, on, { channel = switch.channel })
    reading(switch.name .. "_moves", found.moves, "")
    reading(switch.name .. "_bounces", found.bounces, "1")
  end
end)

check("latency", { about = "Answers quickly, and always as quickly", part = "antenna", when = is_heard }, function()
  local values = {}
  for i = 1, 60 do values[i] = bench.board:interval() end
  local found = measure.latency(values)
  reading("missed", found.missed, "1")
  if found.answered < 50 then return end
  reading("mean", found.mean, "s")
  reading("p95", found.p95, "s")
  reading("spread", found.sd, "s")
end)

check("restart", { about = "Starts again after a short time off", part = "power", deadline = 60 }, function()
  local trials = search.bisect {
    low = 1.6, high = 3.2, step = 0.4, trials = 2,
    test = function(off)
      bench.power:off()
      wait(off)
      bench.power:on()
      wait(0.25)
      local capture = bench.meter:current { over = 0.15, range = 0.3, rate = 1000 }
      return measure.started(capture, running)
    end,
  }
  local found = measure.restart(trials)
  reading("shortest_off", found.shortest_off, "s", { bound = found.bound })
end)
