package httpapi

import "testing"

// Figures that a decision hangs on have 20 px and more at every size, in drawings too.
func TestFiguresAreLarge(t *testing.T) {
	b := openBrowser(t)
	joint := b.beginJoint("J-12")
	cut := joint + "/end/leading/cut"
	b.open(cut)
	b.send(sample(t))
	b.answered()
	answer := b.path()
	b.open(joint + "/end/trailing/cut")
	b.send(sample(t))
	b.answered()
	for _, size := range screens {
		b.size(size[0], size[1])
		for page, wanted := range map[string]string{
			answer:          ".value .num|.says|.scale text:not(.side)|.tape td|.tape td small|dd.num",
			cut:             ".value .num|.scale text:not(.side)|.chain td",
			joint:           ".steps .num|dl.num dd",
			joint + "/pair": ".says|dd.num",
			"/":             ".choose .num",
		} {
			b.open(page)
			var small []string
			b.script(`"`+wanted+`".split("|").flatMap((s) => {
				const all = [...document.querySelectorAll("main " + s)].filter((e) => e.getClientRects().length > 0);
				if (all.length === 0) return [s + ": none"];
				return all.map((e) => [e, parseFloat(getComputedStyle(e).fontSize) * (e.getScreenCTM?.().a ?? 1)]).filter(([, px]) => px < 19.99).map(([e, px]) => s + ": " + px.toFixed(1) + " px, " + e.textContent.trim().slice(0, 30));
			})`, &small)
			for _, one := range small {
				t.Errorf("%s at %d x %d: %s", page, size[0], size[1], one)
			}
			b.accessible(page)
		}
	}
}

// screens are a phone's, a tablet's and a desk's.
var screens = [][2]int64{{360, 740}, {820, 1180}, {1440, 900}}
