package geometry

import (
	"strings"
	"testing"
)

// The card as designed: 7 x 5 squares of 35 mm, markers of 26 mm, 17 ids a card.
func TestCard(t *testing.T) {
	for n := 1; n <= 14; n++ {
		c, err := Card(n)
		if err != nil {
			t.Fatal(err)
		}
		want := Board{Cols: 7, Rows: 5, Square: 35, Marker: 26, Dict: "5X5_250", FirstID: 17 * (n - 1)}
		if c != want {
			t.Errorf("card %d is %+v, want %+v", n, c, want)
		}
		if err := c.Validate(); err != nil {
			t.Errorf("card %d: %v", n, err)
		}
		if c.MarkerCount() != 17 || len(c.Saddles()) != 24 || c.Width() != 245 || c.Height() != 175 {
			t.Errorf("card %d: %d markers, %d saddles, %g x %g mm", n, c.MarkerCount(), len(c.Saddles()), c.Width(), c.Height())
		}
		for k := range 17 {
			if got := CardNumber(c.FirstID + k); got != n {
				t.Errorf("id %d belongs to card %d, want %d", c.FirstID+k, got, n)
			}
		}
	}
	for _, n := range []int{-1, 0, 15} {
		if _, err := Card(n); err == nil || !strings.Contains(err.Error(), "1 to 14") {
			t.Errorf("card %d: error %v", n, err)
		}
	}
	for _, id := range []int{-1, 238, 249, 1000} {
		if n := CardNumber(id); n != 0 {
			t.Errorf("id %d belongs to card %d, want none", id, n)
		}
	}
}

// Places worked out by hand on the sheet: row 0 is black, white, black, ...; a
// marker sits (35-26)/2 = 4.5 mm inside its square.
func TestCardPlaces(t *testing.T) {
	c, err := Card(1)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []struct {
		k, col, row int
		topLeft     Vec2
	}{
		{0, 1, 0, Vec2{39.5, 170.5}},
		{2, 5, 0, Vec2{179.5, 170.5}},
		{3, 0, 1, Vec2{4.5, 135.5}},
		{6, 6, 1, Vec2{214.5, 135.5}},
		{7, 1, 2, Vec2{39.5, 100.5}},
		{16, 5, 4, Vec2{179.5, 30.5}},
	} {
		if col, row := c.MarkerSquare(m.k); col != m.col || row != m.row {
			t.Errorf("marker %d in square %d, %d, want %d, %d", m.k, col, row, m.col, m.row)
		}
		want := [4]Vec2{m.topLeft, m.topLeft.Add(Vec2{26, 0}), m.topLeft.Add(Vec2{26, -26}), m.topLeft.Add(Vec2{0, -26})}
		if got := c.MarkerCorners(m.k); got != want {
			t.Errorf("marker %d at %v, want %v", m.k, got, want)
		}
	}
	s := c.Saddles()
	for i, want := range map[int]Vec2{0: {35, 140}, 5: {210, 140}, 6: {35, 105}, 23: {210, 35}} {
		if s[i] != want {
			t.Errorf("saddle %d at %v, want %v", i, s[i], want)
		}
	}
}

// Laws of any board: colours alternate, markers fill the white squares in
// order, and the layout of old releases is the other one turned over.
func TestBoardLaws(t *testing.T) {
	boards := 0
	for cols := 3; cols <= 8; cols++ {
		for rows := 3; rows <= 8; rows++ {
			for _, legacy := range []bool{false, true} {
				b := Board{Cols: cols, Rows: rows, Square: 30, Marker: 20, Dict: "6X6_250", Legacy: legacy}
				if err := b.Validate(); err != nil {
					t.Fatal(err)
				}
				boards++
				if corner := b.SquareIsBlack(0, 0); corner != (!legacy || rows%2 == 1) {
					t.Errorf("%v: top left black is %v", b, corner)
				}
				if legacy && !b.SquareIsBlack(0, rows-1) {
					t.Errorf("%v: bottom left is white", b)
				}
				k := 0
				for row := range rows {
					for col := range cols {
						if col > 0 && b.SquareIsBlack(col, row) == b.SquareIsBlack(col-1, row) ||
							row > 0 && b.SquareIsBlack(col, row) == b.SquareIsBlack(col, row-1) {
							t.Errorf("%v: square %d, %d has the colour of its neighbour", b, col, row)
						}
						if b.SquareIsBlack(col, row) {
							continue
						}
						if c, r := b.MarkerSquare(k); c != col || r != row {
							t.Errorf("%v: marker %d in square %d, %d, want %d, %d", b, k, c, r, col, row)
						}
						centre := Vec2{(float64(col) + 0.5) * 30, (float64(rows-row) - 0.5) * 30}
						sum := Vec2{}
						for _, p := range b.MarkerCorners(k) {
							sum = sum.Add(p)
						}
						if sum.Mul(0.25).Sub(centre).Norm() > 1e-9 {
							t.Errorf("%v: marker %d centred on %v, want %v", b, k, sum.Mul(0.25), centre)
						}
						k++
					}
				}
				if k != b.MarkerCount() {
					t.Errorf("%v: %d white squares, %d markers", b, k, b.MarkerCount())
				}
				if n := len(b.Saddles()); n != (cols-1)*(rows-1) {
					t.Errorf("%v: %d saddles", b, n)
				}
			}
		}
	}
	if boards != 72 {
		t.Errorf("looked at %d boards", boards)
	}
}

func TestParseBoard(t *testing.T) {
	for s, want := range map[string]Board{
		"7x5:25.7/12.9:6X6_250":               {Cols: 7, Rows: 5, Square: 25.7, Marker: 12.9, Dict: "6X6_250"},
		"7x5:35/26:5X5_250:17":                {Cols: 7, Rows: 5, Square: 35, Marker: 26, Dict: "5X5_250", FirstID: 17},
		"8x6:30/22:4x4_50:legacy":             {Cols: 8, Rows: 6, Square: 30, Marker: 22, Dict: "4X4_50", Legacy: true},
		" 8X6:30/22:DICT_4X4_50:3:LEGACY\n":   {Cols: 8, Rows: 6, Square: 30, Marker: 22, Dict: "4X4_50", FirstID: 3, Legacy: true},
		"5x5:100/80:apriltag_36H11:100":       {Cols: 5, Rows: 5, Square: 100, Marker: 80, Dict: "APRILTAG_36h11", FirstID: 100},
		"10x10:12.5/9.375:ARUCO_ORIGINAL:974": {Cols: 10, Rows: 10, Square: 12.5, Marker: 9.375, Dict: "ARUCO_ORIGINAL", FirstID: 974},
		"3x3:1e1/5:5X5_250:0":                 {Cols: 3, Rows: 3, Square: 10, Marker: 5, Dict: "5X5_250"},
		"10x10:30/20:4X4_50":                  {Cols: 10, Rows: 10, Square: 30, Marker: 20, Dict: "4X4_50"},
	} {
		got, err := ParseBoard(s)
		if err != nil || got != want {
			t.Errorf("%q: %+v, %v, want %+v", s, got, err, want)
		}
		if again, err := ParseBoard(got.String()); err != nil || again != got {
			t.Errorf("%q written as %q is read as %+v, %v", s, got, again, err)
		}
	}
}

func TestParseBoardRefuses(t *testing.T) {
	for s, say := range map[string]string{
		"":                                      "three to five parts",
		"7x5":                                   "three to five parts",
		"7x5:35/26":                             "three to five parts",
		"7x5:35/26:legacy":                      `unknown marker dictionary "legacy"`,
		"7x5:35/26:5X5_250:1:2":                 "three to five parts",
		"7x5:35/26:5X5_250:legacy:1":            "three to five parts",
		"7:35/26:5X5_250":                       `"7" is not a number of squares`,
		"ax5:35/26:5X5_250":                     `"a" is not a whole number of squares across`,
		"7x5.5:35/26:5X5_250":                   `"5.5" is not a whole number of squares down`,
		"2x5:35/26:5X5_250":                     "at least 3 x 3",
		"7x-5:35/26:5X5_250":                    "at least 3 x 3",
		"7x5:35:5X5_250":                        "square side and a marker side",
		"7x5:35mm/26mm:5X5_250":                 `"35mm" is not a length`,
		"7x5:0/26:5X5_250":                      "out of range",
		"7x5:0.035/0.026:5X5_250":               "0.035 mm is out of range", // metres
		"7x5:-35/26:5X5_250":                    "out of range",
		"7x5:NaN/26:5X5_250":                    "out of range",
		"7x5:Inf/26:5X5_250":                    "out of range",
		"7x5:35/NaN:5X5_250":                    "marker side: NaN mm is out of range",
		"7x5:35/35:5X5_250":                     "marker side 35 mm is out of range",
		"7x5:26/35:5X5_250":                     "marker side 35 mm is out of range",
		"7x5:35/26:5X5_500":                     "known are 4X4_50",
		"7x5:35/26:":                            "unknown marker dictionary",
		"7x5:35/26:5X5_250:x":                   `first id "x"`,
		"7x5:35/26:5X5_250:-1":                  "below 0",
		"7x5:35/26:5X5_250:234":                 "ids 0 to 249",
		"11x10:30/20:4X4_50":                    "ids 0 to 49",
		"99999x99999:30/20:4X4_50":              "ids 0 to 49",
		"9999999999x9999999999:30/20:4X4_50":    "need more markers",
		"7x5:35/26:5X5_250:9223372036854775807": "need more markers",
	} {
		b, err := ParseBoard(s)
		if err == nil {
			t.Errorf("%q was read as %+v", s, b)
			continue
		}
		if !strings.Contains(err.Error(), say) || !strings.Contains(err.Error(), "7x5:25.7/12.9:6X6_250") {
			t.Errorf("%q: error %q, want one with %q and an example", s, err, say)
		}
	}
}

func TestParseMarkers(t *testing.T) {
	for s, want := range map[string]Loose{
		"4X4_50:16":             {"4X4_50", 16},
		"dict_apriltag_16h5:80": {"APRILTAG_16h5", 80},
	} {
		got, err := ParseMarkers(s)
		if err != nil || got != want {
			t.Errorf("%q: %v, %v", s, got, err)
		}
		if again, err := ParseMarkers(got.String()); err != nil || again != got {
			t.Errorf("%q written as %q is read as %v, %v", s, got, again, err)
		}
	}
	for s, say := range map[string]string{
		"": "two parts", "4X4_50": "two parts", "4X4_50:": "not a length", "4X4_50:16:3": "not a length",
		"4X4:16": "known are", "4X4_50:0": "out of range", "4X4_50:nan": "out of range", "4X4_50:3000": "out of range",
	} {
		if l, err := ParseMarkers(s); err == nil || !strings.Contains(err.Error(), say) || !strings.Contains(err.Error(), "4X4_50:16") {
			t.Errorf("%q: %v, error %v, want one with %q and an example", s, l, err, say)
		}
	}
	c := Loose{"4X4_50", 16}.MarkerCorners()
	if c != [4]Vec2{{0, 16}, {16, 16}, {16, 0}, {0, 0}} {
		t.Errorf("corners %v", c)
	}
}

func FuzzParseBoard(f *testing.F) {
	f.Add("7x5:25.7/12.9:6X6_250:3:legacy")
	f.Add("8x6:30/22:DICT_4X4_50")
	f.Fuzz(func(t *testing.T, s string) {
		b, err := ParseBoard(s)
		if err != nil {
			return
		}
		if err := b.Validate(); err != nil {
			t.Fatalf("%q: %v", s, err)
		}
		for k := range b.MarkerCount() {
			for _, p := range b.MarkerCorners(k) {
				if !(p.X > -1e-9 && p.Y > -1e-9 && p.X < b.Width()+1e-9 && p.Y < b.Height()+1e-9) {
					t.Fatalf("%q: marker %d at %v", s, k, p)
				}
			}
		}
		if again, err := ParseBoard(b.String()); err != nil || again != b {
			t.Fatalf("%q: %q is read as %+v, %v", s, b, again, err)
		}
	})
}
