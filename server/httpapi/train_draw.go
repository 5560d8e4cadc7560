package httpapi

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image/jpeg"
	"math"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"beltend/geometry"
	"beltend/server/measure"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/training"
	"beltend/server/worker"
	"beltend/vision/overlay"
	"beltend/vision/render"
)

// Drawing takes all of a processor for a while, so one photo is drawn at a time,
// few may wait, and what was drawn is kept for the rest of the class. Drawing is
// pure Go on data that was checked, so it needs no worker process.
const (
	drawWaiting  = 12               // photos that may wait to be drawn
	drawRetry    = 3 * time.Second  // after which to ask again
	drawDeadline = 30 * time.Second // for the turn and the drawing
	drawnKept    = 64               // photos of some 200 kB
	largeKept    = 3                // photos of some 2 MB
)

// drawer draws exercises.
type drawer struct {
	measurer Measurer
	fullSize int           // px of the long side of a large photo
	places   chan struct{} // one for each photo drawn or waiting
	turn     chan struct{}

	mu       sync.Mutex
	photos   shelf[*drawnPhoto]
	measured shelf[*measured]
	large    shelf[*largePhoto]
}

func newDrawer(m Measurer) *drawer {
	return &drawer{measurer: m, fullSize: training.FullSize, places: make(chan struct{}, 1+drawWaiting), turn: make(chan struct{}, 1),
		photos: shelf[*drawnPhoto]{most: drawnKept}, measured: shelf[*measured]{most: drawnKept}, large: shelf[*largePhoto]{most: largeKept}}
}

// shelf keeps the values put there last.
type shelf[V any] struct {
	most  int
	of    map[string]V
	order []string
}

func (s *shelf[V]) put(key string, v V) {
	if s.of == nil {
		s.of = map[string]V{}
	}
	if _, ok := s.of[key]; !ok {
		s.order = append(s.order, key)
	}
	s.of[key] = v
	for len(s.order) > s.most {
		delete(s.of, s.order[0])
		s.order = s.order[1:]
	}
}

func (s *shelf[V]) drop(key string) {
	delete(s.of, key)
	for i, k := range s.order {
		if k == key {
			s.order = append(s.order[:i], s.order[i+1:]...)
			return
		}
	}
}

// drawnPhoto is a photo under way or done.
type drawnPhoto struct {
	done chan struct{}
	jpeg []byte
	err  error
}

// photo draws the exercise as a screen shows it, or finds it drawn. Who asks for
// the same photo at the same time waits for the same drawing.
func (d *drawer) photo(ctx context.Context, e training.Exercise) ([]byte, error) {
	key := e.Key()
	d.mu.Lock()
	p := d.photos.of[key]
	if p == nil {
		select {
		case d.places <- struct{}{}:
		default:
			d.mu.Unlock()
			return nil, &worker.Busy{RetryAfter: drawRetry}
		}
		p = &drawnPhoto{done: make(chan struct{})}
		d.photos.put(key, p)
		go func() { // to its end, whoever still waits
			defer func() { <-d.places }()
			p.jpeg, p.err = d.draw(e, training.ScreenSize, nil)
			if p.err != nil {
				d.mu.Lock()
				d.photos.drop(key)
				d.mu.Unlock()
			}
			close(p.done)
		}()
	}
	d.mu.Unlock()
	select {
	case <-p.done:
		return p.jpeg, p.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// draw takes its turn and draws.
func (d *drawer) draw(e training.Exercise, long int, progress func(float64)) ([]byte, error) {
	s, err := e.Scene(long)
	if err != nil {
		return nil, err
	}
	timer := time.NewTimer(drawDeadline)
	defer timer.Stop()
	select {
	case d.turn <- struct{}{}:
		defer func() { <-d.turn }()
	case <-timer.C:
		return nil, &worker.Busy{RetryAfter: drawRetry}
	}
	s.Workers, s.Progress = min(2, runtime.NumCPU()), progress
	return s.JPEG()
}

// solved is what is right about an exercise; it needs no photo.
func solved(e training.Exercise) (training.Solution, error) {
	s, err := e.Scene(training.ScreenSize)
	if err != nil {
		return training.Solution{}, err
	}
	return e.Solve(&s)
}

// truth draws the truth into the photo, with the line that a person chose.
func (d *drawer) truth(ctx context.Context, e training.Exercise, tap *geometry.Vec2, o report.Options) ([]byte, error) {
	photo, err := d.photo(ctx, e)
	if err != nil {
		return nil, err
	}
	w, err := solved(e)
	if err != nil {
		return nil, err
	}
	img, err := jpeg.Decode(bytes.NewReader(photo))
	if err != nil {
		return nil, fmt.Errorf("read a drawn photo: %w", err)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, overlay.Photo(img, w.Overlay(report.Marks(w.Left, o), report.Marks(w.Right, o), tap)), &jpeg.Options{Quality: 88}); err != nil {
		return nil, fmt.Errorf("write an overlay: %w", err)
	}
	return b.Bytes(), nil
}

// measured is what beltend makes of an exercise's photo.
type measured struct {
	m       *result.Measurement
	refused *result.Refusal
	overlay []byte
}

// measure runs the whole chain on the photo, as on any other.
func (d *drawer) measure(ctx context.Context, e training.Exercise, o report.Options) (*measured, error) {
	key := fmt.Sprint(e.Key(), o)
	d.mu.Lock()
	got := d.measured.of[key]
	d.mu.Unlock()
	if got != nil {
		return got, nil
	}
	photo, err := d.photo(ctx, e)
	if err != nil {
		return nil, err
	}
	job := worker.Job{Photos: []measure.Input{{Name: "exercise.jpg", Data: photo}}, Settings: result.Settings{ToleranceMM: training.Allowed(e.Width)}, Inches: o.Inches, Lang: o.Lang}
	if e.Error == "small_card" {
		job.Settings.Board = render.SmallBoard(e.Size)
	}
	a, err := d.measurer.Run(ctx, job, nil)
	got = &measured{m: a.Measurement}
	if err != nil && !errors.As(err, &got.refused) {
		return nil, err
	}
	for _, f := range a.Pictures {
		if f.Name == "overlay-1.jpg" {
			got.overlay = f.Data
		}
	}
	d.mu.Lock()
	d.measured.put(key, got)
	d.mu.Unlock()
	return got, nil
}

// largePhoto is a photo of full size under way or done.
type largePhoto struct {
	share atomic.Uint64 // bits of the share drawn
	done  chan struct{}
	jpeg  []byte
	err   error
}

func (l *largePhoto) progress() float64 { return math.Float64frombits(l.share.Load()) }

// ended tells whether the photo is done, and its error.
func (l *largePhoto) ended() (bool, error) {
	select {
	case <-l.done:
		return true, l.err
	default:
		return false, nil
	}
}

// drawLarge begins a photo of full size, or finds it.
func (d *drawer) drawLarge(e training.Exercise) (*largePhoto, error) {
	if err := e.Check(); err != nil {
		return nil, err
	}
	key := e.Key()
	d.mu.Lock()
	defer d.mu.Unlock()
	if l := d.large.of[key]; l != nil {
		if ended, err := l.ended(); !ended || err == nil {
			return l, nil
		}
	}
	for _, l := range d.large.of { // one at a time: it takes a hundred times a page's time
		if ended, _ := l.ended(); !ended {
			return nil, &worker.Busy{RetryAfter: 2 * drawRetry}
		}
	}
	select {
	case d.places <- struct{}{}:
	default:
		return nil, &worker.Busy{RetryAfter: drawRetry}
	}
	l := &largePhoto{done: make(chan struct{})}
	d.large.put(key, l)
	go func() {
		defer func() { <-d.places }()
		l.jpeg, l.err = d.draw(e, d.fullSize, func(done float64) { l.share.Store(math.Float64bits(done)) })
		close(l.done)
	}()
	return l, nil
}

// foundLarge finds a photo of full size that was begun.
func (d *drawer) foundLarge(e training.Exercise) *largePhoto {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.large.of[e.Key()]
}
