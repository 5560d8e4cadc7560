package archive

import (
	"context"
	"encoding/json"
	"time"
)

// Exported writes the event of an export before anything is handed out: who takes what
// q finds away, and as what kind of file ("measurements.csv", "export.zip"). The event
// is the site's where the export is of one site.
func (a *Archive) Exported(ctx context.Context, by Actor, kind string, q Query) error {
	if _, err := a.db.plan(q); err != nil { // nothing will be found by it
		return err
	}
	site, sites := "", q.Sites.ids
	if len(sites) == 1 && !q.Sites.all {
		site = sites[0]
	}
	asked := exported{Kind: kind, AllSites: q.Sites.all, Sites: sites, Conveyor: q.Conveyor, Belt: q.Belt, Joint: q.Joint, End: q.End, Step: q.Step, Person: q.Person,
		CardSet: q.CardSet, Verdict: q.Verdict, OffsetMin: q.OffsetMin, OffsetMax: q.OffsetMax, Text: q.Text, Review: q.Review, Newest: q.Newest, Answered: q.Answered}
	if !q.From.IsZero() {
		asked.From = &q.From
	}
	if !q.To.IsZero() {
		asked.To = &q.To
	}
	payload, err := json.Marshal(asked)
	if err != nil {
		return fail(Invalid, "The search cannot be written as JSON", err)
	}
	_, err = a.AddEvent(ctx, by, "archive.exported", site, "archive/"+a.id, "", json.RawMessage(payload))
	return err
}

// Reported writes the event of a joint's report before it is handed out: who takes it, of
// which joint, and as what kind of file ("joint.pdf"). The chain then ends with this
// event, so the head that is printed is its number and hash, and no two reports share it.
// look is the look at the finished joint that the report is of, or empty.
func (a *Archive) Reported(ctx context.Context, by Actor, kind string, sites Sites, joint, look string) (Head, error) {
	j, err := a.Joint(ctx, sites, joint)
	if err != nil {
		return Head{}, err
	}
	payload := map[string]string{"kind": kind}
	if look != "" {
		payload["look"] = look
	}
	e, err := a.AddEvent(ctx, by, "joint.reported", j.Site, ReportSubject(j.ID), "", payload)
	return Head{Archive: a.id, Seq: e.Seq, Hash: e.Hash}, err
}

// ReportSubject is what events of a joint's reports are about: not the joint's record,
// which they do not change.
func ReportSubject(joint string) string { return "joint_report/" + joint }

// exported is a search as an event keeps it.
type exported struct {
	Kind      string     `json:"kind"`
	AllSites  bool       `json:"all_sites,omitempty"`
	Sites     []string   `json:"sites,omitempty"`
	Conveyor  string     `json:"conveyor,omitempty"`
	Belt      string     `json:"belt,omitempty"`
	Joint     string     `json:"joint,omitempty"`
	End       string     `json:"end,omitempty"`
	Step      string     `json:"step,omitempty"`
	Person    string     `json:"person,omitempty"`
	CardSet   string     `json:"card_set,omitempty"`
	Verdict   string     `json:"verdict,omitempty"`
	From      *time.Time `json:"from,omitempty"`
	To        *time.Time `json:"to,omitempty"`
	OffsetMin *float64   `json:"offset_min,omitempty"`
	OffsetMax *float64   `json:"offset_max,omitempty"`
	Text      string     `json:"text,omitempty"`
	Review    string     `json:"review,omitempty"`
	Newest    bool       `json:"newest,omitempty"`
	Answered  bool       `json:"answered,omitempty"`
}
