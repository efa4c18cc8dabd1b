-- Lamp and display of the Kittiwake K8, seen by a camera. An example.
--
-- The camera is a program of the bench file that writes a picture (here the simulated
-- one). It must hold its exposure and its white balance: a camera that sets them
-- itself makes each lamp look alike.

plan { product = "kittiwake-k8", revision = "C", cycle_time = 8 }

-- Where lamp and display lie in the picture, in pixels. The lamp's region is smaller
-- than the lamp, so that a unit that lies elsewhere by two pixels is still in it.
local lamp = { left = 260, top = 38, columns = 17, rows = 17 }
local display = { left = 22, top = 68, columns = 256, rows = 112, max_shift = 6 }

local seen

local function start()
  bench.supply:set { voltage = 3.7, current_limit = 1.5 }
  bench.supply:on()
  bench.power:on()
  wait(1.5)
  seen = bench.camera:picture()
end

check("lamp", { about = "The lamp glows green, and as bright as it should", part = "lamp" }, function()
  start()
  local c = measure.colour(seen, lamp)
  reading("clipped", c.clipped_share, "%")
  reading("luminance", c.luminance, "%")
  reading("chromaticity_x", c.chromaticity_x, "1")
  reading("chromaticity_y", c.chromaticity_y, "1")
  reading("dominant_wavelength", c.dominant_wavelength, "m")
  reading("uniformity", c.uniformity, "%")
  keep("lamp", seen)
end)

check("display", { about = "The display shows what it should, without gaps", part = "display" }, function()
  if not seen then start() end
  local reference = picture("display.png")
  local d = measure.picture(seen, reference, display)
  reading("shift_x", d.shift_x, "1")
  reading("shift_y", d.shift_y, "1")
  reading("contrast", d.contrast, "%")
  reading("deviation", d.deviation, "%")
  reading("missing_segments", d.missing_segments, "1")
  reading("extra_share", d.extra_share, "%")
  reading("dead_columns", d.dead_columns, "1")
  reading("dead_rows", d.dead_rows, "1")
  keep("display", seen, { reference = reference })
end)
