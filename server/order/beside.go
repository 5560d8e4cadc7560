package order

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"beltend/server/archive"
	"beltend/server/archive/queue"
	"beltend/server/measure"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
)

// Beside is the order to measure the photos of a kept measurement once more, with its
// settings and the present program and method. What comes of it stands beside the
// first, to compare, and takes no answer's place. The same order with the same program
// and method finds its answer; archive.Conflict where the first was made with them.
func (d *Desk) Beside(ctx context.Context, by store.Person, id, reason string, reads report.Options) (Order, error) {
	f, err := d.Store.Archive.Measurement(ctx, by.Sites, id)
	if err == nil && f.Beside != "" {
		f, err = d.Store.Archive.Measurement(ctx, by.Sites, f.Beside)
	}
	if err != nil {
		return Order{}, err
	}
	var photos []archive.File
	for _, p := range f.Files {
		if p.Role == archive.RolePhoto {
			photos = append(photos, p)
		}
	}
	switch {
	case strings.TrimSpace(reason) == "":
		return Order{}, archive.Wrong("reason", "again_reason", nil, "say why these photos are measured again.")
	case f.Source != "" || len(photos) == 0:
		return Order{}, archive.Clash("again_taped", "This is from a tape, alone or with photos. Only what is from photos alone can be measured again.", nil)
	case f.PhotosRemoved > 0:
		return Order{}, archive.Clash("again_photos", "Photos of this measurement were taken away by a rule of retention, so it cannot be measured again.", nil)
	case f.ProgramVersion == d.Program && f.MethodVersion == measure.Method:
		return Order{}, &archive.Error{Kind: archive.Conflict, Message: fmt.Sprintf("This was measured with the present program (%s) and method (%s). Measure it again when either is another.", d.Program, measure.Method)}
	}
	first, err := f.Decode()
	if err != nil {
		return Order{}, err
	}
	var set result.Settings
	if first.Settings != nil {
		set = *first.Settings
	}
	return Order{By: by.Actor, Joint: f.Joint, End: f.End, Step: f.Step, Person: f.Person, CardSet: f.CardSet, Note: f.Note,
		Beside: f.ID, With: d.Program + " " + measure.Method, Reason: strings.TrimSpace(reason), Photos: photos, Settings: set, Inches: reads.Inches, Lang: reads.Lang}, nil
}

// Make makes an order here and now, past the queue, and gives its record; one made
// before is given as it is. A refusal comes beside its record.
func (d *Desk) Make(ctx context.Context, o Order) (store.Record, error) {
	id, err := o.ID()
	if err != nil {
		return store.Record{}, err
	}
	if r, err := d.kept(ctx, id); !errors.Is(err, archive.NotFound) {
		return r, err
	}
	payload, err := json.Marshal(o)
	if err != nil {
		return store.Record{}, fmt.Errorf("write an order: %w", err)
	}
	if err := d.make(ctx, queue.Job{ID: id, Payload: payload}); err != nil {
		return store.Record{}, err
	}
	return d.kept(ctx, id)
}
