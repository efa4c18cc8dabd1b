-- A plan that leaves everything on that can hurt for as long as it runs: power,
-- the handset's switch, the fingers on the sticks, and sticks on the move. Tests
-- end the program at any moment of it and look what the fixture does then.
plan { product = "kittiwake-k8", revision = "C", cycle_time = 5 }

check("live", { about = "Everything is on and moves", part = "power" }, function()
  bench.supply:set { voltage = 3.7, current_limit = 1.5 }
  bench.supply:on()
  bench.power:on()
  bench.clutch:on()
  bench.sticks:home()
  for _ = 1, 2 do
    bench.sticks:sweep { axes = { "left_x" }, points = 3, dwell = 0.1, cycles = 1, rate = 4 }
  end
  local current = bench.meter:current { over = 0.2, range = 0.3, rate = 1000 }
  reading("current", measure.steady(current).mean, "A")
end)

check("more", { about = "It goes on for a while", part = "power" }, function()
  note("still on")
  wait(0.5)
end)
