// Package store keeps the service's measurements in the archive: photos,
// result and where it belongs. Pictures are not kept: they are drawn again from
// the photos, and those asked for lately stay in memory.
package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"beltend/server/archive"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/vision/overlay"
)

// File is a photo or a picture with its name.
type File struct {
	Name string // a picture's: overlay-1.jpg, topdown.png, profile.svg
	Data []byte
}

// Record is one measurement as kept. What is kept is not changed any more, so
// callers must not write to it.
type Record struct {
	ID          string
	Created     time.Time
	Inches      bool // units the person asks for
	Lang        string
	Measurement *result.Measurement
	Kept        archive.Found // where it belongs, and its reviews
}

// Place says where a measurement belongs. The zero Place is the site's
// collection of loose measurements.
type Place struct {
	Site    string // ID, asked for where there is no Joint; empty: the person's first
	Joint   string // ID
	End     string // leading or trailing; empty: leading
	Step    string // empty: cut, or drawn_line where that was judged
	Person  string // who took the photos; empty: who acts
	CardSet string // ID, may be empty
	Note    string

	Supersedes string // ID of the measurement made again
}

// Person is who acts, and which sites that person belongs to.
type Person struct {
	archive.Actor
	Sites archive.Sites
}

// Draw draws pictures of a measurement from its photos: all of them, or the
// view from above in a window; in the language and units of o.
type Draw func(ctx context.Context, photos []File, m *result.Measurement, o report.Options, window *overlay.Window) ([]File, error)

// Store keeps measurements. All methods may be called by many goroutines.
type Store struct {
	Archive *archive.Archive
	draw    Draw
	cache   *cache
}

// New makes a store; cached is how many bytes of pictures stay in memory.
func New(a *archive.Archive, draw Draw, cached int) *Store {
	return &Store{Archive: a, draw: draw, cache: newCache(cached)}
}

// Put keeps what was measured, under the ID in kept or one of its own, and the pictures
// drawn for a while. kept has all but the result; its photos are there already.
func (s *Store) Put(ctx context.Context, by archive.Actor, kept archive.Measurement, reason string, m *result.Measurement, o report.Options, drawn []File) (Record, error) {
	plain := *m
	plain.Links = nil // they belong to this service's addresses, not to the result
	var err error
	if kept.Result, err = json.Marshal(&plain); err != nil {
		return Record{}, fmt.Errorf("write the result: %w", err)
	}
	if kept, err = s.Archive.AddMeasurement(ctx, by, kept, reason); err != nil {
		return Record{}, err
	}
	for _, p := range drawn {
		s.cache.put(pictureKey(kept.ID, p.Name, o, nil), p.Data)
	}
	return Record{ID: kept.ID, Created: kept.Time, Inches: o.Inches, Measurement: &plain, Kept: archive.Found{Measurement: kept}}, nil
}

// Get finds a measurement among the sites allowed; archive.NotFound otherwise.
func (s *Store) Get(ctx context.Context, sites archive.Sites, id string) (Record, error) {
	f, err := s.Archive.Measurement(ctx, sites, id)
	if err != nil {
		return Record{}, err
	}
	m, err := f.Decode()
	return Record{ID: f.ID, Created: f.Time, Measurement: m, Kept: f}, err
}

// Recent gives the newest measurements, at most n.
func (s *Store) Recent(ctx context.Context, sites archive.Sites, n int) ([]archive.Found, error) {
	p, err := s.Archive.Search(ctx, archive.Query{Sites: sites, Limit: n})
	return p.Items, err
}

// Picture gives a picture of a measurement by its name; with a window, the view
// from above in it.
func (s *Store) Picture(ctx context.Context, sites archive.Sites, id, name string, o report.Options, window *overlay.Window) ([]byte, error) {
	// Whoever may not see the measurement may not see what is in memory either.
	r, err := s.Get(ctx, sites, id)
	if err != nil {
		return nil, err
	}
	if r.Kept.PhotosRemoved > 0 {
		return nil, archive.Removed
	}
	if b := s.cache.get(pictureKey(id, name, o, window)); b != nil {
		return b, nil
	}
	var photos []File
	for _, f := range r.Kept.Files {
		if f.Role != archive.RolePhoto {
			continue
		}
		data, _, err := s.Archive.ReadPhoto(ctx, archive.SomeSites(r.Kept.Site), f.SHA256)
		if err != nil {
			return nil, err
		}
		photos = append(photos, File{Name: f.Name, Data: data})
	}
	drawn, err := s.draw(ctx, photos, r.Measurement, o, window)
	if err != nil {
		return nil, fmt.Errorf("draw the pictures again: %w", err)
	}
	var found []byte
	for _, p := range drawn {
		s.cache.put(pictureKey(id, p.Name, o, window), p.Data)
		if p.Name == name {
			found = p.Data
		}
	}
	if found == nil {
		return nil, archive.NotFound
	}
	return found, nil
}

func pictureKey(id, name string, o report.Options, window *overlay.Window) string {
	key := fmt.Sprintf("%s/%s/%s/%t", id, name, o.Lang, o.Inches)
	if window != nil {
		key += fmt.Sprint(*window)
	}
	return key
}

// Names of what loose measurements are kept under.
const (
	firstSite = "This site" // made where there is no site yet
	Loose     = "Loose measurements"
)

// Joint finds where a measurement belongs, and makes the place for loose ones.
func (s *Store) Joint(ctx context.Context, by Person, at Place) (archive.Joint, error) {
	if at.Joint != "" {
		j, err := s.Archive.Joint(ctx, by.Sites, at.Joint)
		if errors.Is(err, archive.NotFound) {
			err = archive.Wrong("joint", "no_such_joint", nil, "there is no such joint at your sites.")
		}
		return j, err
	}
	// Where several make the place at once, one of them makes the site, one the conveyor
	// and so on; the others find that when they look again.
	j, err := s.looseJoint(ctx, by, at.Site)
	for tries := 0; errors.Is(err, archive.Conflict) && tries < 10; tries++ {
		j, err = s.looseJoint(ctx, by, at.Site)
	}
	return j, err
}

func (s *Store) looseJoint(ctx context.Context, by Person, siteID string) (archive.Joint, error) {
	var none archive.Joint
	sites, err := s.Archive.Sites(ctx, by.Sites)
	if err != nil {
		return none, err
	}
	var site archive.Site
	for _, one := range sites {
		if site.ID == "" && (siteID == "" || one.ID == siteID) {
			site = one
		}
	}
	switch {
	case site.ID != "":
	case siteID != "" || !by.Sites.Has(archive.NewID()): // not of all sites, and of none that is there
		return none, archive.Wrong("site", "not_your_site", nil, "there is no such site, or you do not belong to it.")
	default:
		if site, err = s.Archive.PutSite(ctx, by.Actor, archive.Site{Name: firstSite}, ""); err != nil {
			return none, err
		}
	}
	here := archive.SomeSites(site.ID)
	conveyors, err := s.Archive.Conveyors(ctx, here)
	if err != nil {
		return none, err
	}
	conveyor, ok := named(conveyors, func(c archive.Conveyor) string { return c.Name })
	if !ok {
		if conveyor, err = s.Archive.PutConveyor(ctx, by.Actor, archive.Conveyor{Site: site.ID, Name: Loose}, ""); err != nil {
			return none, err
		}
	}
	belts, err := s.Archive.Belts(ctx, here, conveyor.ID)
	if err != nil {
		return none, err
	}
	belt, ok := named(belts, func(b archive.Belt) string { return b.Name })
	if !ok {
		if belt, err = s.Archive.PutBelt(ctx, by.Actor, archive.Belt{Conveyor: conveyor.ID, Name: Loose}, ""); err != nil {
			return none, err
		}
	}
	joints, err := s.Archive.Joints(ctx, here, belt.ID, false)
	if err != nil {
		return none, err
	}
	joint, ok := named(joints, func(j archive.Joint) string { return j.Number })
	if !ok {
		joint, err = s.Archive.PutJoint(ctx, by.Actor, archive.Joint{Belt: belt.ID, Number: Loose}, "")
	}
	return joint, err
}

func named[T any](list []T, name func(T) string) (T, bool) {
	for _, x := range list {
		if name(x) == Loose {
			return x, true
		}
	}
	var none T
	return none, false
}
