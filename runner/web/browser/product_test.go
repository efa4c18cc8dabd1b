package browser

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"fullthrow/scripts"
)

// deskPlan asks whatever can be asked, between two checks that measure. While a
// question is open a run stands still, so a test may do to it what it likes
// without being quick.
const deskPlan = `plan { product = "kittiwake-k8", revision = "C", cycle_time = 50, deadline = 86400 }

local function current()
  return measure.steady(bench.meter:current { over = 0.2, range = 100e-6, rate = 1000 }).mean
end

check("standby", { about = "Draws next to nothing when switched off", part = "power" }, function()
  bench.supply:set { voltage = 3.7, current_limit = 1.5 }
  bench.power:off()
  bench.supply:on()
  wait(1.5)
  reading("current", current(), "A")
end)

check("sight", { about = "Looks and feels as it should", part = "left-stick", deadline = 86400 }, function()
  reading("cap", ask { text = "Does the cap of the left stick sit straight?", picture = "cap.svg" }, "")
  reading("case", ask { text = "Which colour has the case?", kind = "choose", choices = { "grey", "blue", "neither" } }, "")
  reading("cell", ask { text = "What does the voltmeter show at the cell?", kind = "number", unit = "V" }, "V")
  reading("firmware", ask { text = "Scan the code on the radio module", kind = "text" }, "")
end)

check("after", { about = "Draws next to nothing, and is not heard", part = "power" }, function()
  reading("current", current(), "A")
  reading("frames", bench.receiver:record { over = 0.5 }.count, "1")
end)
`

const deskLimits = `product = "kittiwake-k8"

[standby.current]
lower = 1
upper = 12
unit = "uA"
why = "a good unit draws some 9 uA"

[sight.cap]
equal = true
why = "a cap that sits askew rubs on the case"
cause = "the cap was pressed on askew"
inspect = "the cap of the left stick: pull it off and press it on straight"

[sight.case]
one_of = ["grey", "blue"]
why = "there are two colours"

[sight.cell]
lower = 3.6
upper = 3.9
unit = "V"
why = "outside the cell is not a fresh one"

[sight.firmware]
one_of = ["RM-204"]
why = "only this one is released"

[after.frames]
lower = 10
unit = "1"
why = "a receiver that sends nothing has heard nothing"

[after.current]
lower = 1
upper = 12
unit = "uA"
why = "a good unit draws some 9 uA"
`

const capPicture = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 320 200"><rect width="320" height="200" fill="#eef2f5"/>
<g fill="none" stroke="#24323d" stroke-width="6"><path d="M60 160h200M140 160V90h40v70"/><path d="M120 90h80l-12-44h-56z" fill="#cfd8df"/></g></svg>
`

// The plan's own sentences in the other languages.
const (
	deskSpanish = `
"Looks and feels as it should" = "Se ve y se siente como debe"
"Draws next to nothing, and is not heard" = "Casi no consume, y no se oye"
"Does the cap of the left stick sit straight?" = "¿Está derecha la tapa de la palanca izquierda?"
"Which colour has the case?" = "¿De qué color es la carcasa?"
"grey" = "gris"
"blue" = "azul"
"neither" = "ninguno de los dos"
"What does the voltmeter show at the cell?" = "¿Qué muestra el voltímetro en la batería?"
"Scan the code on the radio module" = "Escanee el código del módulo de radio"
"the cap was pressed on askew" = "la tapa se montó torcida"
"the cap of the left stick: pull it off and press it on straight" = "la tapa de la palanca izquierda: quítela y móntela derecha"
`
	deskChinese = `
"Looks and feels as it should" = "外观和手感正常"
"Draws next to nothing, and is not heard" = "几乎不耗电，也收不到信号"
"Does the cap of the left stick sit straight?" = "左摇杆的帽盖是否装正？"
"Which colour has the case?" = "外壳是什么颜色？"
"grey" = "灰色"
"blue" = "蓝色"
"neither" = "都不是"
"What does the voltmeter show at the cell?" = "电池处的电压表读数是多少？"
"Scan the code on the radio module" = "扫描射频模块上的条码"
"the cap was pressed on askew" = "帽盖压歪了"
"the cap of the left stick: pull it off and press it on straight" = "左摇杆的帽盖：取下后重新压正"
`
)

// deskProduct writes a product's folder: the stock product's drawing, texts and
// serial numbers, with the plan above.
func deskProduct(t *testing.T) string {
	t.Helper()
	stock, ok := scripts.Product("kittiwake-k8")
	if !ok {
		t.Fatal("no stock product")
	}
	dir := t.TempDir()
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	more := map[string]string{"product.toml": "", "drawing.svg": "", "texts.es.toml": deskSpanish, "texts.zh-Hans.toml": deskChinese}
	for name, add := range more {
		data, err := fs.ReadFile(stock, name)
		if err != nil {
			t.Fatal(err)
		}
		write(name, string(data)+add)
	}
	write("plan.lua", deskPlan)
	write("limits.toml", deskLimits)
	write("cap.svg", capPicture)
	return dir
}
