package archive

import (
	"context"
	"encoding/json"
	"strings"
	"time"

	"beltend/server/result"
)

// JointPlan is the lacing and the belt length planned for a joint, the newest that
// was kept; the earlier ones are in its events.
type JointPlan struct {
	ID       string          `json:"id"` // that of its joint
	Version  int64           `json:"version"`
	Site     string          `json:"site"` // from the joint
	Time     time.Time       `json:"time"` // zero: now
	Person   string          `json:"person"`
	PersonID string          `json:"person_id"`
	Result   json.RawMessage `json:"result"` // beltend.joint-plan/1 as it was given
}

// Decode gives the plan as Go values.
func (p *JointPlan) Decode() (*result.JointPlan, error) {
	var r result.JointPlan
	if err := json.Unmarshal(p.Result, &r); err != nil || r.Lacing == nil || r.Lacing.Plan == nil {
		return nil, fail(Damaged, "The plan of this joint cannot be read", err)
	}
	return &r, nil
}

// PutJointPlan keeps a joint's plan, its ID the joint's; over an earlier one only
// with a reason.
func (a *Archive) PutJointPlan(ctx context.Context, by Actor, p JointPlan, reason string) (JointPlan, error) {
	if err := check(needed("joint", p.ID), name("person", p.Person), text("person id", p.PersonID, 200)); err != nil {
		return p, err
	}
	var r result.JointPlan
	if err := json.Unmarshal(p.Result, &r); err != nil || r.Schema != result.JointPlanSchema || r.Lacing == nil || r.Lacing.Plan == nil {
		return p, fail(Invalid, "result: this is no plan of schema "+result.JointPlanSchema+".", err)
	}
	var err error
	if p.Result, err = canonical(p.Result); err != nil {
		return p, fail(Invalid, "result: this is no JSON that can be kept.", err)
	}
	if p.Time = kept(p.Time); p.Time.IsZero() {
		p.Time = now()
	}
	return put(ctx, a, by, jointPlanKind, p, reason,
		func(p *JointPlan) (*string, *int64, *string) { return &p.ID, &p.Version, &p.Site },
		func(tx *Tx, p, old *JointPlan) error {
			if old != nil && strings.TrimSpace(reason) == "" {
				return Wrong("reason", "plan_kept", nil, "a plan is kept already, say why another one takes its place.")
			}
			j, err := one[Joint](ctx, tx, "SELECT body FROM joint WHERE id = ?", p.ID)
			p.Site = j.Site
			return missing(err, "joint")
		})
}

// JointPlan finds the plan of a joint; NotFound while none is kept.
func (a *Archive) JointPlan(ctx context.Context, sites Sites, joint string) (JointPlan, error) {
	return find[JointPlan](ctx, a, jointPlanKind, sites, "site", joint)
}

// KeptPlan is a joint's plan as it was kept at one time.
type KeptPlan struct {
	JointPlan
	Reason string // empty for the first
}

// JointPlans lists every plan that was kept of a joint, the newest first; at most 500.
func (a *Archive) JointPlans(ctx context.Context, sites Sites, joint string) ([]KeptPlan, error) {
	events, err := a.Events(ctx, EventQuery{Sites: sites, Subject: jointPlanKind.subject(joint), Limit: 500})
	if err != nil {
		return nil, err
	}
	out := make([]KeptPlan, len(events))
	for i, e := range events {
		if out[i].JointPlan, err = decode[JointPlan](string(e.Payload)); err != nil {
			return nil, err
		}
		out[i].Reason = e.Reason
	}
	return out, nil
}
