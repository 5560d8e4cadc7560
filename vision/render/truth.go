package render

import (
	"errors"
	"math"

	"beltend/geometry"
)

// Pt is a point in a truth file: [x, y].
type Pt [2]float64

// Truth is what a perfect measurement of the scene would find, computed from
// the drawn outlines by the definitions of the measurement. Frames as in
// package geometry; image points are in the upright photo.
type Truth struct {
	Name     string   `json:"name"`
	Photo    string   `json:"photo,omitempty"`
	Class    string   `json:"cls,omitempty"`
	Group    string   `json:"group,omitempty"`
	What     string   `json:"what,omitempty"`
	Expected string   `json:"expected"`
	Codes    []string `json:"codes,omitempty"`

	Squareness  TruthSquareness  `json:"squareness"`
	Width       TruthWidth       `json:"width"`
	Recut       TruthRecut       `json:"recut"`
	Centreline  TruthCentreline  `json:"centreline"`
	MarkedLine  *TruthLine       `json:"marked_line,omitempty"`
	Hinge       *TruthHinge      `json:"hinge,omitempty"`
	CornersMM   TruthCorners     `json:"corners_mm"`
	ImagePoints TruthImagePoints `json:"image_points"`
	Cards       []TruthCard      `json:"cards"`
	// Sheets are the corners of the plain sheets in the photo, counterclockwise on
	// the sheet from the bottom left.
	Sheets [][]Pt      `json:"sheets_px,omitempty"`
	Camera TruthCamera `json:"camera"`
	// CutInFrame is the share of the cut that the photo shows.
	CutInFrame float64 `json:"cut_fraction_in_frame"`
	Scene      *Scene  `json:"scene"`
}

// TruthSquareness is the cut against the centreline.
type TruthSquareness struct {
	Offset       float64 `json:"offset_mm"`
	Angle        float64 `json:"angle_deg"`
	Straightness float64 `json:"cut_straightness_mm"` // largest minus smallest residual
	RMS          float64 `json:"cut_rms_mm"`
	Deepest      Pt      `json:"deepest_point_mm"`
}

// TruthWidth is the belt's width.
type TruthWidth struct {
	AtCut float64 `json:"at_cut_mm"`
	Mean  float64 `json:"mean_visible_mm"`
}

// TruthRecut is how far back the square line lies that clears the cut.
type TruthRecut struct {
	Left       float64 `json:"left_mm"`
	Right      float64 `json:"right_mm"`
	Centre     float64 `json:"length_lost_centre_mm"`
	LengthLost float64 `json:"length_lost_mm"` // from the point that sticks out furthest
}

// TruthCentreline is the line through the midpoints.
type TruthCentreline struct {
	Point     Pt      `json:"point_mm"`
	Direction Pt      `json:"direction"`
	From      float64 `json:"y_from_mm"`
	To        float64 `json:"y_to_mm"`
	Length    float64 `json:"visible_length_mm"`
	Camber    float64 `json:"camber_mm"` // largest minus smallest residual of the midpoints
	BothEdges bool    `json:"both_edges_in_frame"`
}

// TruthLine is the drawn line, judged as the cut is.
type TruthLine struct {
	Kind   string     `json:"kind"`
	Width  float64    `json:"line_width_mm"`
	Offset float64    `json:"offset_mm"`
	Angle  float64    `json:"angle_deg"`
	At     float64    `json:"width_at_line_mm"`
	Recut  TruthRecut `json:"recut"`
	Points []Pt       `json:"points_px"`
}

// TruthCorners are the ends of the cut.
type TruthCorners struct {
	Left  Pt `json:"left"`
	Right Pt `json:"right"`
}

// TruthImagePoints are the top edges and the cut in the photo, where in frame.
type TruthImagePoints struct {
	Left      Pt   `json:"cut_corner_left"`
	Right     Pt   `json:"cut_corner_right"`
	Cut       []Pt `json:"cut"`
	EdgeLeft  []Pt `json:"edge_left"`
	EdgeRight []Pt `json:"edge_right"`
}

// TruthCard is where a card lies.
type TruthCard struct {
	Number  int        `json:"number,omitempty"`
	IDs     [2]int     `json:"ids"` // from, to
	Centre  [3]float64 `json:"centre_mm"`
	Turn    float64    `json:"rot_deg_ccw"`
	Curl    float64    `json:"curl_mm,omitempty"`
	ScaleX  float64    `json:"scale_x"`
	ScaleY  float64    `json:"scale_y"`
	Outline []Pt       `json:"board_outline_px"` // bottom left as printed, counterclockwise on the print
	Saddles []Pt       `json:"saddles_px,omitempty"`
	InFrame bool       `json:"board_in_frame"`
}

// TruthCamera is the camera and its pose.
type TruthCamera struct {
	Size        [2]int        `json:"size"`
	K           [3][3]float64 `json:"K"`
	Dist        [2]float64    `json:"dist_k1_k2"`
	DistRest    [3]float64    `json:"dist_k3_p1_p2,omitzero"`
	R           [3][3]float64 `json:"R_world_to_cam"`
	T           [3]float64    `json:"t_world_to_cam"`
	Centre      [3]float64    `json:"centre_mm"`
	Tilt        float64       `json:"tilt_deg"`
	F35         float64       `json:"f35_true"`
	Orientation int           `json:"exif_orientation"`
}

// Steps of the stations along the centreline, and of the points written out.
const (
	stationStep = 1.0  // mm
	pointStep   = 10.0 // mm along the cut
	upStep      = 50.0 // mm along the edges
)

// Truth computes the scene's truth.
func (s *Scene) Truth() (Truth, error) { return s.truth(0) }

// GroupTruth is the truth of photos of one end measured together: the first
// scene's cut against the centreline over all the length that they show.
func GroupTruth(scenes []Scene) (Truth, error) {
	to := 0.0
	for i := range scenes {
		t, err := scenes[i].Truth()
		if err != nil {
			return t, err
		}
		to = math.Max(to, t.Centreline.To)
	}
	if len(scenes) == 0 {
		return Truth{}, errors.New("no scenes")
	}
	return scenes[0].truth(to)
}

// truth looks at the edges as far as they are seen, or further up to a y.
func (s *Scene) truth(upTo float64) (Truth, error) {
	t := Truth{Name: s.Name, Class: s.Class, Group: s.Group, What: s.What, Expected: s.Expect, Codes: s.Codes, Scene: s}
	if err := s.Validate(); err != nil {
		return t, err
	}
	v := s.View()
	o := s.outline()
	w, h := float64(s.Camera.Width), float64(s.Camera.Height)
	project := func(p vec2) (vec2, bool) {
		uv, ok := v.Project3(s.place(p, 0))
		// a lens folds far outside the picture: what comes back must come again
		if ok {
			if q := s.place(p, 0); q.Z == 0 {
				back, good := v.Unproject(uv)
				ok = good && back.Sub(p).Norm() < 1
			}
		}
		return uv, ok && uv.X >= -0.5 && uv.Y >= -0.5 && uv.X <= w-0.5 && uv.Y <= h-0.5
	}

	// stations: from the further corner up, as long as both edges are seen
	l, r := o.cut[0], o.cut[len(o.cut)-1]
	t.CornersMM = TruthCorners{pt(l), pt(r)}
	from := math.Max(l.Y, r.Y)
	type station struct{ left, right float64 }
	var ys []float64
	var stations []station
	for y := from; y <= s.Belt.Length; y += stationStep {
		e := station{s.edge(-1, y), s.edge(1, y)}
		_, okL := project(vec2{X: e.left, Y: y})
		_, okR := project(vec2{X: e.right, Y: y})
		if okL && okR || y <= upTo {
			ys, stations = append(ys, y), append(stations, e)
		} else if len(ys) > 0 {
			break
		}
	}
	t.Centreline.BothEdges = len(ys) > 1
	if len(ys) < 2 { // nothing to see: the truth of the belt all the same
		for y := from; y <= math.Min(s.Belt.Length, from+1.2*s.Belt.Width); y += stationStep {
			ys, stations = append(ys, y), append(stations, station{s.edge(-1, y), s.edge(1, y)})
		}
	}
	mids := make([]vec2, len(ys))
	width := 0.0
	for i, e := range stations {
		mids[i] = vec2{X: ys[i], Y: (e.left + e.right) / 2} // regress x on y
		width += (e.right - e.left) / float64(len(ys))
	}
	a, b := fitLine(mids)
	dir := vec2{X: b, Y: 1}.Unit()
	cos := dir.Y
	frame := func(p vec2) vec2 {
		p = p.Sub(vec2{X: a})
		return vec2{X: p.X*dir.Y - p.Y*dir.X, Y: p.X*dir.X + p.Y*dir.Y}
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, m := range mids {
		d := (m.Y - a - b*m.X) * cos
		lo, hi = math.Min(lo, d), math.Max(hi, d)
	}
	y0, y1 := ys[0], ys[len(ys)-1]
	mid := (y0 + y1) / 2
	t.Centreline.Point, t.Centreline.Direction = Pt{a + b*mid, mid}, pt(dir)
	t.Centreline.From, t.Centreline.To, t.Centreline.Length, t.Centreline.Camber = y0, y1, y1-y0, hi-lo
	t.Width.Mean = width * cos

	// the cut
	j := s.judge(o.cut, frame)
	t.Squareness = TruthSquareness{j.offset, j.angle, j.spread, j.rms, pt(j.deepest)}
	t.Width.AtCut = j.width
	t.Recut = j.recut
	seen := 0
	for _, p := range o.cut {
		if _, ok := project(p); ok {
			seen++
		}
	}
	t.CutInFrame = float64(seen) / float64(len(o.cut))

	t.ImagePoints.Left, t.ImagePoints.Right = imagePt(&v, s.place(l, 0)), imagePt(&v, s.place(r, 0))
	t.ImagePoints.Cut = thin(o.cut, pointStep, project)
	t.ImagePoints.EdgeLeft, t.ImagePoints.EdgeRight = thin(o.left, upStep, project), thin(o.right, upStep, project)
	if s.Line != nil {
		pts := s.linePoints()
		if len(pts) > 1 {
			j := s.judge(pts, frame)
			t.MarkedLine = &TruthLine{s.Line.Kind, s.Line.Width, j.offset, j.angle, j.width, j.recut, thin(pts, 20, project)}
		}
	}
	for i := range s.Cards {
		c, err := s.truthCard(&s.Cards[i], &v)
		if err != nil {
			return t, err
		}
		t.Cards = append(t.Cards, c)
	}
	for _, h := range s.Sheets {
		t.Sheets = append(t.Sheets, h.corners(s, &v))
	}
	t.Hinge = s.truthHinge()
	t.Camera = s.truthCamera(&v)
	return t, nil
}

type judged struct {
	offset, angle, spread, rms, width float64
	deepest                           vec2
	recut                             TruthRecut
}

// judge fits the line to points across the belt in the centreline's frame.
func (s *Scene) judge(pts []vec2, frame func(vec2) vec2) judged {
	q := make([]vec2, len(pts))
	for i, p := range pts {
		q[i] = frame(p)
	}
	a, b := fitLine(q)
	// a line that stops short of the edges is judged over the full width
	l, r := q[0], q[len(q)-1]
	inset := 0.0
	if s.Line != nil && math.Abs(pts[0].X-s.edge(-1, pts[0].Y)) > 1e-9 {
		inset = s.Line.Inset
	}
	l.X -= inset
	r.X += inset
	j := judged{width: r.X - l.X, angle: math.Atan(b) * 180 / math.Pi}
	j.offset = b * j.width
	lo, hi, low := math.Inf(1), math.Inf(-1), math.Inf(1)
	j.deepest = q[0]
	k := 0
	for i, p := range q {
		d := (p.Y - a - b*p.X) * math.Cos(math.Atan(b))
		lo, hi = math.Min(lo, d), math.Max(hi, d)
		j.rms += d * d / float64(len(q))
		low = math.Min(low, p.Y)
		if p.Y > j.deepest.Y {
			j.deepest, k = p, i
		}
	}
	j.spread, j.rms = hi-lo, math.Sqrt(j.rms)
	deep := j.deepest.Y
	j.deepest = pts[k]
	centre := q[0].Y
	for _, p := range q {
		if p.X > 0 {
			break
		}
		centre = p.Y
	}
	// along the edge from the corner to the line: the edges run along the
	// centreline to within their camber
	j.recut = TruthRecut{Left: deep - q[0].Y, Right: deep - q[len(q)-1].Y, Centre: deep - centre, LengthLost: deep - low}
	return j
}

// fitLine is the least-squares line Y = a + b X.
func fitLine(p []vec2) (a, b float64) {
	var m vec2
	for _, q := range p {
		m = m.Add(q.Mul(1 / float64(len(p))))
	}
	var xx, xy float64
	for _, q := range p {
		d := q.Sub(m)
		xx += d.X * d.X
		xy += d.X * d.Y
	}
	if xx == 0 {
		return m.Y, 0
	}
	b = xy / xx
	return m.Y - b*m.X, b
}

func pt(p vec2) Pt { return Pt{round(p.X), round(p.Y)} }

func round(v float64) float64 { return math.Round(v*1e6) / 1e6 }

func imagePt(v *geometry.View, p vec3) Pt {
	uv, _ := v.Project3(p)
	return Pt{math.Round(uv.X*1e4) / 1e4, math.Round(uv.Y*1e4) / 1e4}
}

// thin projects every so many mm of an outline, what is in frame.
func thin(pts []vec2, step float64, project func(vec2) (vec2, bool)) []Pt {
	out := []Pt{}
	var last vec2
	for i, p := range pts {
		if i > 0 && i < len(pts)-1 && p.Sub(last).Norm() < step {
			continue
		}
		last = p
		if uv, ok := project(p); ok {
			out = append(out, Pt{math.Round(uv.X*1e4) / 1e4, math.Round(uv.Y*1e4) / 1e4})
		}
	}
	return out
}

func (s *Scene) truthCard(k *Card, v *geometry.View) (TruthCard, error) {
	p, err := k.print()
	if err != nil {
		return TruthCard{}, err
	}
	c := TruthCard{Number: k.Number, IDs: [2]int{p.firstID, p.firstID + p.ids - 1}, Turn: k.Turn, Curl: k.Curl, ScaleX: k.ScaleX, ScaleY: k.ScaleY, InFrame: true}
	if c.ScaleX == 0 {
		c.ScaleX = 1
	}
	if c.ScaleY == 0 {
		c.ScaleY = 1
	}
	half := 297.0 / 2
	if k.Paper == "Letter" {
		half = 279.4 / 2
	}
	if k.Marker != "" || k.Board != "" {
		half = (p.width*1.2 + 10) / 2
	}
	m := k.point(s, 0, 0, half)
	c.Centre = [3]float64{m.X, m.Y, m.Z}
	hw, hh := p.width/2, p.height/2
	for _, q := range []vec2{{X: -hw, Y: -hh}, {X: hw, Y: -hh}, {X: hw, Y: hh}, {X: -hw, Y: hh}} {
		uv := imagePt(v, k.point(s, q.X, q.Y, half))
		c.Outline = append(c.Outline, uv)
		if uv[0] < -0.5 || uv[1] < -0.5 || uv[0] > float64(s.Camera.Width)-0.5 || uv[1] > float64(s.Camera.Height)-0.5 {
			c.InFrame = false
		}
	}
	if k.Marker == "" {
		var board geometry.Board
		if k.Board != "" {
			board, err = geometry.ParseBoard(k.Board)
		} else {
			board, err = geometry.Card(k.Number)
		}
		if err != nil {
			return c, err
		}
		for _, q := range board.Saddles() {
			c.Saddles = append(c.Saddles, imagePt(v, k.point(s, q.X-hw, q.Y-hh, half)))
		}
	}
	return c, nil
}

func (s *Scene) truthCamera(v *geometry.View) TruthCamera {
	c := &v.Camera
	m := v.CamFromPlane.Rotation()
	t, e := v.CamFromPlane.Translation(), v.Centre()
	return TruthCamera{
		Size: [2]int{s.Camera.Width, s.Camera.Height},
		K:    [3][3]float64{{c.F, 0, c.CX}, {0, c.F, c.CY}, {0, 0, 1}},
		Dist: [2]float64{c.K1, c.K2}, DistRest: [3]float64{c.K3, c.P1, c.P2},
		R: [3][3]float64{{m[0], m[1], m[2]}, {m[3], m[4], m[5]}, {m[6], m[7], m[8]}},
		T: [3]float64{t.X, t.Y, t.Z}, Centre: [3]float64{e.X, e.Y, e.Z},
		Tilt: v.Tilt() * 180 / math.Pi, F35: s.Camera.F35True(), Orientation: max(1, s.Camera.Orientation),
	}
}
