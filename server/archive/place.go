package archive

import (
	"context"
	"time"
)

// PutSite keeps a new site (ID empty, or made with NewID) or a change of one;
// so do the other Puts. It gives back the record as kept, with its ID and new
// Version. Puts and Adds do not ask for Sites: what they name was found with
// them before.
func (a *Archive) PutSite(ctx context.Context, by Actor, s Site, reason string) (Site, error) {
	if err := check(name("site name", s.Name), text("note", s.Note, 4000)); err != nil {
		return s, err
	}
	return put(ctx, a, by, siteKind, s, reason,
		func(s *Site) (*string, *int64, *string) { return &s.ID, &s.Version, &s.ID },
		func(*Tx, *Site, *Site) error { return nil })
}

// PutConveyor keeps a conveyor; its Site cannot change.
func (a *Archive) PutConveyor(ctx context.Context, by Actor, c Conveyor, reason string) (Conveyor, error) {
	if err := check(name("conveyor name", c.Name), needed("site", c.Site)); err != nil {
		return c, err
	}
	return put(ctx, a, by, conveyorKind, c, reason,
		func(c *Conveyor) (*string, *int64, *string) { return &c.ID, &c.Version, &c.Site },
		func(_ *Tx, c, old *Conveyor) error {
			if old != nil {
				c.Site = old.Site
			}
			return nil
		})
}

// Check says what of a belt cannot be kept.
func (b Belt) Check() error {
	return check(name("belt name", b.Name), needed("conveyor", b.Conveyor), length("nominal width", b.NominalMM),
		length("thickness", b.ThicknessMM), text("covers", b.Covers, 100))
}

// PutBelt keeps a belt; its Conveyor cannot change, and gives its Site.
func (a *Archive) PutBelt(ctx context.Context, by Actor, b Belt, reason string) (Belt, error) {
	if err := b.Check(); err != nil {
		return b, err
	}
	return put(ctx, a, by, beltKind, b, reason,
		func(b *Belt) (*string, *int64, *string) { return &b.ID, &b.Version, &b.Site },
		func(tx *Tx, b, old *Belt) error {
			if old != nil {
				b.Site, b.Conveyor = old.Site, old.Conveyor
				return nil
			}
			c, err := one[Conveyor](ctx, tx, "SELECT body FROM conveyor WHERE id = ?", b.Conveyor)
			b.Site = c.Site
			return missing(err, "conveyor")
		})
}

// PutJoint keeps a joint; its Belt cannot change, and gives its Conveyor and
// Site. Cautions once acknowledged stay.
func (a *Archive) PutJoint(ctx context.Context, by Actor, j Joint, reason string) (Joint, error) {
	if err := check(name("joint number", j.Number), needed("belt", j.Belt), length("thickness", j.ThicknessMM),
		length("smallest pulley", j.SmallestPulleyMM), length("tolerance", j.ToleranceMM), text("tolerance origin", j.ToleranceOrigin, 500),
		text("travel direction", j.Travel, 200), oneOf("face up", j.FaceUp, "", "carrying", "pulley"), text("note", j.Note, 4000)); err != nil {
		return j, err
	}
	j.Opened = kept(j.Opened)
	if j.Cautions != nil {
		c := *j.Cautions
		c.Time = kept(c.Time)
		if err := check(name("cautions: name", c.Name), needed("cautions: text version", c.Text)); err != nil {
			return j, err
		}
		if c.Time.IsZero() {
			c.Time = now()
		}
		j.Cautions = &c
	}
	return put(ctx, a, by, jointKind, j, reason,
		func(j *Joint) (*string, *int64, *string) { return &j.ID, &j.Version, &j.Site },
		func(tx *Tx, j, old *Joint) error {
			if old != nil {
				j.Site, j.Conveyor, j.Belt, j.Opened = old.Site, old.Conveyor, old.Belt, old.Opened
				if old.Cautions != nil {
					j.Cautions = old.Cautions
				}
				return nil
			}
			if j.Opened.IsZero() {
				j.Opened = now()
			}
			b, err := one[Belt](ctx, tx, "SELECT body FROM belt WHERE id = ?", j.Belt)
			j.Site, j.Conveyor = b.Site, b.Conveyor
			return missing(err, "belt")
		})
}

// missing turns the NotFound of a record that another names into Invalid.
func missing(err error, what string) error {
	if kindOf(err) == NotFound {
		return fail(Invalid, "There is no such "+what+".", nil)
	}
	return err
}

// find reads one record by its ID, if its site is allowed.
func find[T any](ctx context.Context, a *Archive, k *kind, sites Sites, siteColumn, id string) (T, error) {
	var rec T
	where, args := sites.where(siteColumn)
	err := a.Read(ctx, func(tx *Tx) (err error) {
		rec, err = one[T](ctx, tx, "SELECT body FROM "+k.name+" WHERE id = ? AND "+where, append([]any{id}, args...)...)
		return err
	})
	return rec, err
}

// list reads the records of the sites allowed.
func list[T any](ctx context.Context, a *Archive, k *kind, sites Sites, siteColumn, more string, args ...any) ([]T, error) {
	var out []T
	where, first := sites.where(siteColumn)
	err := a.Read(ctx, func(tx *Tx) (err error) {
		out, err = many[T](ctx, tx, "SELECT body FROM "+k.name+" WHERE "+where+more, append(first, args...)...)
		return err
	})
	return out, err
}

// Site finds one. NotFound also where it is not among the sites allowed; so do
// the others that take Sites.
func (a *Archive) Site(ctx context.Context, sites Sites, id string) (Site, error) {
	return find[Site](ctx, a, siteKind, sites, "id", id)
}

// Sites lists those allowed by name.
func (a *Archive) Sites(ctx context.Context, sites Sites) ([]Site, error) {
	return list[Site](ctx, a, siteKind, sites, "id", " ORDER BY name, id")
}

// Conveyor finds one.
func (a *Archive) Conveyor(ctx context.Context, sites Sites, id string) (Conveyor, error) {
	return find[Conveyor](ctx, a, conveyorKind, sites, "site", id)
}

// Conveyors lists those of the sites by name.
func (a *Archive) Conveyors(ctx context.Context, sites Sites) ([]Conveyor, error) {
	return list[Conveyor](ctx, a, conveyorKind, sites, "site", " ORDER BY name, id")
}

// Belt finds one.
func (a *Archive) Belt(ctx context.Context, sites Sites, id string) (Belt, error) {
	return find[Belt](ctx, a, beltKind, sites, "site", id)
}

// Belts lists those on a conveyor by name; conveyor empty: all of the sites.
func (a *Archive) Belts(ctx context.Context, sites Sites, conveyor string) ([]Belt, error) {
	if conveyor == "" {
		return list[Belt](ctx, a, beltKind, sites, "site", " ORDER BY name, id")
	}
	return list[Belt](ctx, a, beltKind, sites, "site", " AND conveyor = ? ORDER BY name, id", conveyor)
}

// Joint finds one.
func (a *Archive) Joint(ctx context.Context, sites Sites, id string) (Joint, error) {
	return find[Joint](ctx, a, jointKind, sites, "site", id)
}

// Joints lists those of a belt, or of all belts where it is empty, the newest
// first; open leaves out the closed ones. At most 500.
func (a *Archive) Joints(ctx context.Context, sites Sites, belt string, open bool) ([]Joint, error) {
	more, args := "", []any(nil)
	if belt != "" {
		more, args = " AND belt = ?", append(args, belt)
	}
	if open {
		more, args = more+" AND closed = ?", append(args, false)
	}
	return list[Joint](ctx, a, jointKind, sites, "site", more+" ORDER BY opened DESC, id DESC LIMIT 500", args...)
}

// PutCardSet keeps a card set; its Site cannot change.
func (a *Archive) PutCardSet(ctx context.Context, by Actor, c CardSet, reason string) (CardSet, error) {
	if err := check(name("card set number", c.Number), needed("site", c.Site), text("cards", c.Cards, 200), text("note", c.Note, 4000)); err != nil {
		return c, err
	}
	c.Printed = kept(c.Printed)
	return put(ctx, a, by, cardSetKind, c, reason,
		func(c *CardSet) (*string, *int64, *string) { return &c.ID, &c.Version, &c.Site },
		func(_ *Tx, c, old *CardSet) error {
			if old != nil {
				c.Site = old.Site
			}
			return nil
		})
}

// CardSet finds one.
func (a *Archive) CardSet(ctx context.Context, sites Sites, id string) (CardSet, error) {
	return find[CardSet](ctx, a, cardSetKind, sites, "site", id)
}

// CardSets lists those of the sites by number.
func (a *Archive) CardSets(ctx context.Context, sites Sites) ([]CardSet, error) {
	return list[CardSet](ctx, a, cardSetKind, sites, "site", " ORDER BY number, id")
}

// AddCardCheck keeps a look at a card set.
func (a *Archive) AddCardCheck(ctx context.Context, by Actor, c CardCheck) (CardCheck, error) {
	if err := check(needed("card set", c.CardSet), length("across", c.AcrossMM), length("up", c.UpMM), name("rule", c.Rule),
		text("person", c.Person, 200), text("note", c.Note, 4000)); err != nil {
		return c, err
	}
	c.Time, c.RuleDue, c.Due = kept(c.Time), kept(c.RuleDue), kept(c.Due)
	if c.Time.IsZero() {
		c.Time = now()
	}
	c.ID = newID(c.Time)
	err := a.Write(ctx, func(tx *Tx) error {
		set, err := one[CardSet](ctx, tx, "SELECT body FROM card_set WHERE id = ?", c.CardSet)
		if err != nil {
			return missing(err, "card set")
		}
		c.Site = set.Site
		return tx.add(ctx, by, cardCheckKind, c, c.Site, c.Note, c.ID)
	})
	return c, err
}

// CardChecks lists those of a card set, the newest first.
func (a *Archive) CardChecks(ctx context.Context, sites Sites, cardSet string) ([]CardCheck, error) {
	return list[CardCheck](ctx, a, cardCheckKind, sites, "site", " AND card_set = ? ORDER BY time DESC, id DESC", cardSet)
}

// lastGoodCheck is when a card set was last found good; zero: never.
func (a *Archive) lastGoodCheck(ctx context.Context, sites Sites, cardSet string) (time.Time, error) {
	var at int64
	where, args := sites.where("site")
	err := a.Read(ctx, func(tx *Tx) error {
		return tx.Row(ctx, []any{&at}, "SELECT COALESCE(MAX(time), 0) FROM card_check WHERE card_set = ? AND good = ? AND "+where, append([]any{cardSet, true}, args...)...)
	})
	return fromMicros(at), err
}
