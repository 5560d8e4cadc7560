// Package order brings measurements through the queue. An order is taken in (its
// photos are kept, without their location), put into the queue by the process that
// was asked, made by any process that works on the queue, and waited for:
//
//	photos -> Take -> Order -> Ask -> queue -> Work -> archive -> the one who waits
//
// An order's ID is that of the measurement it becomes and depends on nothing but what
// is to be measured, so the same order again, at any process, finds the same answer.
// What the photos cannot carry becomes a record too: the refusal.
package order

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/gowebpki/jcs"

	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
	"beltend/vision/photo"
)

// Order is one measurement asked for, as it stands in the queue.
type Order struct {
	By         archive.Actor   `json:"by"`
	Joint      string          `json:"joint"` // ID
	End        string          `json:"end"`
	Step       string          `json:"step"`
	Person     string          `json:"person"` // who took the photos
	CardSet    string          `json:"card_set"`
	Note       string          `json:"note"`
	Supersedes string          `json:"supersedes"`       // ID of the measurement made again
	Beside     string          `json:"beside,omitempty"` // ID of the measurement that this one is compared with
	With       string          `json:"with,omitempty"`   // program and method that it is made with then
	Reason     string          `json:"reason,omitempty"` // why, for the event
	Photos     []archive.File  `json:"photos"`           // as kept at the joint's site
	Settings   result.Settings `json:"settings"`
	Inches     bool            `json:"inches"`         // units in the pictures drawn first
	Lang       string          `json:"lang,omitempty"` // and their language
}

// ID is the hash of what is measured and where it belongs, not of who asks: 128 bits
// of the SHA-256 of its canonical JSON (RFC 8785).
func (o Order) ID() (string, error) {
	o.By, o.Person, o.Reason, o.Inches, o.Lang = archive.Actor{}, "", "", false, ""
	photos := make([]archive.File, len(o.Photos))
	for i, p := range o.Photos {
		photos[i].SHA256 = p.SHA256
	}
	o.Photos = photos
	plain, err := json.Marshal(o)
	if err == nil {
		plain, err = jcs.Transform(plain)
	}
	if err != nil {
		return "", fmt.Errorf("write an order: %w", err)
	}
	sum := sha256.Sum256(plain)
	return hex.EncodeToString(sum[:16]), nil
}

// measurement is what the order becomes, without result.
func (o Order) measurement(id string) archive.Measurement {
	if o.Beside != "" { // which takes no other's place
		o.Supersedes = ""
	}
	return archive.Measurement{ID: id, Beside: o.Beside, Supersedes: o.Supersedes, Joint: o.Joint, End: o.End, Step: o.Step, Person: o.Person, PersonID: o.By.ID,
		CardSet: o.CardSet, Note: o.Note, Files: o.Photos}
}

// at begins an order with where it belongs, if it can be kept there.
func (d *Desk) at(ctx context.Context, by store.Person, p store.Place, line string) (Order, archive.Joint, error) {
	j, err := d.Store.Joint(ctx, by, p)
	if err != nil {
		return Order{}, j, err
	}
	o := Order{By: by.Actor, Joint: j.ID, End: p.End, Step: p.Step, Person: p.Person, CardSet: p.CardSet, Note: p.Note, Supersedes: p.Supersedes}
	if o.End == "" {
		o.End = archive.Leading
	}
	if o.Step == "" {
		o.Step = archive.StepCut
		if line == "drawn" {
			o.Step = archive.StepDrawn
		}
	}
	if o.Person == "" {
		o.Person = by.Name
	}
	return o, j, d.Store.Archive.Fits(ctx, o.measurement(""))
}

// Take takes an order in with its photos.
func (d *Desk) Take(ctx context.Context, by store.Person, p store.Place, photos []measure.Input, s result.Settings, reads report.Options) (Order, error) {
	if err := measure.CheckSettings(s, len(photos)); err != nil {
		return Order{}, err
	}
	o, j, err := d.at(ctx, by, p, s.Line)
	if err != nil {
		return o, err
	}
	o.Settings, o.Inches, o.Lang = s, reads.Inches, reads.Lang
	for _, in := range photos {
		kept, err := d.Keep(ctx, by.Actor, j.Site, o.Person, in)
		if err != nil {
			return o, err
		}
		o.Photos = append(o.Photos, archive.File{SHA256: kept.SHA256, Role: archive.RolePhoto, Name: in.Name})
	}
	return o, nil
}

// TakeKept is Take for photos that are kept already, at the site where they belong.
func (d *Desk) TakeKept(ctx context.Context, by store.Person, p store.Place, photos []archive.File, s result.Settings, reads report.Options) (Order, error) {
	if err := measure.CheckSettings(s, len(photos)); err != nil {
		return Order{}, err
	}
	o, _, err := d.at(ctx, by, p, s.Line)
	o.Photos, o.Settings, o.Inches, o.Lang = photos, s, reads.Inches, reads.Lang
	return o, err
}

// Keep keeps a photo without its location, or where the site wants that with it, as
// it came. A file that is no photo, too large, or so damaged that its location cannot
// be found and taken out, is refused and not kept.
func (d *Desk) Keep(ctx context.Context, by archive.Actor, site, person string, in measure.Input) (archive.Photo, error) {
	info, err := photo.Inspect(in.Data, photo.DefaultLimits())
	if err != nil {
		return archive.Photo{}, turnedAway(in.Name, err)
	}
	if err := d.Store.Archive.Room(); err != nil {
		return archive.Photo{}, err
	}
	at, err := d.Store.Archive.Site(ctx, archive.SomeSites(site), site)
	if err != nil {
		return archive.Photo{}, err
	}
	data, removed := in.Data, false
	if !at.KeepLocation {
		if data, removed, err = photo.StripLocation(in.Data); err != nil {
			return archive.Photo{}, turnedAway(in.Name, err)
		}
	}
	return d.Store.Archive.AddPhoto(ctx, by, archive.Photo{Site: site, Type: "image/" + string(info.Kind), Name: in.Name, LocationRemoved: removed, LocationKept: at.KeepLocation && info.HasLocation, Person: person}, data)
}

func turnedAway(name string, err error) error {
	var bad *photo.Error
	if errors.As(err, &bad) {
		return &result.Refusal{Code: bad.Code, Message: name + ": " + bad.Message, Advice: bad.Advice, Photo: name}
	}
	return err
}

// Late is returned when an order was not done while somebody waited. It stays in the
// queue: asked again, it is waited for again.
type Late struct{ RetryAfter time.Duration }

func (*Late) Error() string { return "the measurement still waits in the queue" }
