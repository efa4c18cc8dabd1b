-- A plan that moves a stick slowly and does nothing else: tests stop it on its way.
plan { product = "kittiwake-k8", revision = "C", cycle_time = 60 }

check("live", { about = "A stick moves for a long time", part = "sticks", deadline = 120 }, function()
  bench.sticks:home()
  bench.sticks:move({ left_x = 1 }, { rate = 0.025 })
  reading("moved", 1, "1")
end)
