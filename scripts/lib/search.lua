-- Searches for the least value at which something works.
--
-- local search = require "search"
-- local trials = search.bisect {
--   low = 0, high = 10,   -- s; it is taken to fail at low, and is tried at high first
--   step = 0.1,           -- stop when the answer is known this closely
--   trials = 3,           -- how often a value must work to count as working
--   test = function(off) ... return started end,
-- }

local search = {}

local function number(o, name)
  if type(o[name]) ~= "number" then
    error("bisect: " .. name .. " must be a number, not " .. type(o[name]), 3)
  end
  return o[name]
end

--- Every trial made, in order, as a list of { off =, started = } for
--- measure.restart. A value fails at its first failure; if high fails, nothing
--- below is tried.
function search.bisect(o)
  local low, high = number(o, "low"), number(o, "high")
  local step, times = number(o, "step"), number(o, "trials")
  if not (low < high) then error("bisect: low must be below high", 2) end
  if not (step > 0) then error("bisect: step must be above 0", 2) end
  if times < 1 or times % 1 ~= 0 then error("bisect: trials must be a whole number of at least 1", 2) end
  if type(o.test) ~= "function" then error("bisect: test must be a function", 2) end

  local done = {}
  local function works(x)
    for _ = 1, times do
      local started = o.test(x)
      if type(started) ~= "boolean" then error("bisect: test must return true or false, not " .. type(started)) end
      done[#done + 1] = { off = x, started = started }
      if not started then return false end
    end
    return true
  end

  if not works(high) then return done end
  while high - low > step do
    local middle = (low + high) / 2
    if middle <= low or middle >= high then break end -- no number lies between
    if works(middle) then high = middle else low = middle end
  end
  return done
end

return search
