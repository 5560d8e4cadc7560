package archive

import (
	"context"
	"io"
)

var notBuilt = fail(Unavailable, "Not built yet.", nil)

// Ping says whether database and photo store answer, for the readiness check.
func (a *Archive) Ping(ctx context.Context) error { return notBuilt }

// PutSite keeps a new site (ID empty) or a change of one; so do the other Puts.
// It gives back the record as kept, with its ID and new Version.
func (a *Archive) PutSite(ctx context.Context, by Actor, s Site, reason string) (Site, error) {
	return s, notBuilt
}

// PutConveyor keeps a conveyor; its Site cannot change.
func (a *Archive) PutConveyor(ctx context.Context, by Actor, c Conveyor, reason string) (Conveyor, error) {
	return c, notBuilt
}

// PutBelt keeps a belt; its Conveyor cannot change.
func (a *Archive) PutBelt(ctx context.Context, by Actor, b Belt, reason string) (Belt, error) {
	return b, notBuilt
}

// PutJoint keeps a joint; its Belt cannot change.
func (a *Archive) PutJoint(ctx context.Context, by Actor, j Joint, reason string) (Joint, error) {
	return j, notBuilt
}

// PutCardSet keeps a card set; its Site cannot change.
func (a *Archive) PutCardSet(ctx context.Context, by Actor, c CardSet, reason string) (CardSet, error) {
	return c, notBuilt
}

// Site finds one. NotFound also where it is not among the sites allowed; so do
// the others that take Sites.
func (a *Archive) Site(ctx context.Context, sites Sites, id string) (Site, error) {
	return Site{}, notBuilt
}

// Sites lists those allowed by name.
func (a *Archive) Sites(ctx context.Context, sites Sites) ([]Site, error) { return nil, notBuilt }

// Conveyor finds one.
func (a *Archive) Conveyor(ctx context.Context, sites Sites, id string) (Conveyor, error) {
	return Conveyor{}, notBuilt
}

// Conveyors lists those of the sites by name.
func (a *Archive) Conveyors(ctx context.Context, sites Sites) ([]Conveyor, error) {
	return nil, notBuilt
}

// Belt finds one.
func (a *Archive) Belt(ctx context.Context, sites Sites, id string) (Belt, error) {
	return Belt{}, notBuilt
}

// Belts lists those on a conveyor by name; conveyor empty: all of the sites.
func (a *Archive) Belts(ctx context.Context, sites Sites, conveyor string) ([]Belt, error) {
	return nil, notBuilt
}

// Joint finds one.
func (a *Archive) Joint(ctx context.Context, sites Sites, id string) (Joint, error) {
	return Joint{}, notBuilt
}

// Joints lists those of a belt, or of all belts where it is empty, the newest
// first; open leaves out the closed ones. At most 500.
func (a *Archive) Joints(ctx context.Context, sites Sites, belt string, open bool) ([]Joint, error) {
	return nil, notBuilt
}

// CardSet finds one.
func (a *Archive) CardSet(ctx context.Context, sites Sites, id string) (CardSet, error) {
	return CardSet{}, notBuilt
}

// CardSets lists those of the sites by number.
func (a *Archive) CardSets(ctx context.Context, sites Sites) ([]CardSet, error) { return nil, notBuilt }

// AddCardCheck keeps a look at a card set.
func (a *Archive) AddCardCheck(ctx context.Context, by Actor, c CardCheck) (CardCheck, error) {
	return c, notBuilt
}

// CardChecks lists those of a card set, the newest first.
func (a *Archive) CardChecks(ctx context.Context, sites Sites, cardSet string) ([]CardCheck, error) {
	return nil, notBuilt
}

// SinceLastGoodCheck lists, newest first, all that was measured with a card
// set after its last good check: when it is found bad, what must be judged again.
func (a *Archive) SinceLastGoodCheck(ctx context.Context, sites Sites, cardSet, after string, limit int) (Page, error) {
	return Page{}, notBuilt
}

// AddPhoto keeps a file's bytes under their SHA-256 and says so once they are
// safe on disk. p needs Site, Type, and may have Name, LocationRemoved, Person;
// the rest is set here. The same bytes at the same site are kept once: the
// first record is given back. Location is stripped before, by vision/photo.
func (a *Archive) AddPhoto(ctx context.Context, by Actor, p Photo, data []byte) (Photo, error) {
	return p, notBuilt
}

// Photo gives a photo's record.
func (a *Archive) Photo(ctx context.Context, sites Sites, sha256 string) (Photo, error) {
	return Photo{}, notBuilt
}

// ReadPhoto gives the bytes of a photo. They are hashed again: Damaged where
// they are not what was kept, or gone.
func (a *Archive) ReadPhoto(ctx context.Context, sites Sites, sha256 string) ([]byte, Photo, error) {
	return nil, Photo{}, notBuilt
}

// AddMeasurement keeps a result; see Measurement for what must be set.
// Conflict when the ID is there already.
func (a *Archive) AddMeasurement(ctx context.Context, by Actor, m Measurement, reason string) (Measurement, error) {
	return m, notBuilt
}

// Measurement gives one with its Result, which is hashed again.
func (a *Archive) Measurement(ctx context.Context, sites Sites, id string) (Found, error) {
	return Found{}, notBuilt
}

// Search lists measurements, newest first.
func (a *Archive) Search(ctx context.Context, q Query) (Page, error) { return Page{}, notBuilt }

// Series gives the measured offsets that match q as points of a chart, oldest
// first: the newest max of them, at most 10,000. q.After and q.Limit do not count.
func (a *Archive) Series(ctx context.Context, q Query, max int) ([]Point, error) {
	return nil, notBuilt
}

// AddReview keeps a sign-off. The archive numbers it: the second must come from
// another person (PersonID, or Person where there are no accounts) and agree with
// the first; otherwise, and after two, Conflict. A measurement sent back takes
// no further sign-off.
func (a *Archive) AddReview(ctx context.Context, by Actor, r Review) (Review, error) {
	return r, notBuilt
}

// Reviews lists a joint's sign-offs, oldest first.
func (a *Archive) Reviews(ctx context.Context, sites Sites, joint string) ([]Review, error) {
	return nil, notBuilt
}

// AddEvent writes an event that goes with no record of this package, such as a
// sign-in. payload may be nil.
func (a *Archive) AddEvent(ctx context.Context, by Actor, what, site, subject, reason string, payload any) (Event, error) {
	return Event{}, notBuilt
}

// Events lists events, newest first.
func (a *Archive) Events(ctx context.Context, q EventQuery) ([]Event, error) { return nil, notBuilt }

// Head gives the present end of the chain.
func (a *Archive) Head(ctx context.Context) (Head, error) { return Head{}, notBuilt }

// SignedHead gives it signed with the site's key.
func (a *Archive) SignedHead(ctx context.Context) (SignedHead, error) { return SignedHead{}, notBuilt }

// SignedHead is a head with the signature of the site's key.
type SignedHead struct {
	Schema string `json:"schema"` // beltend.head/1
	Head
	Time      string `json:"time"`
	PublicKey string `json:"public_key"` // Ed25519, base64
	Signature string `json:"signature"`  // Ed25519 over the canonical JSON (RFC 8785) of all other members, base64
}

// Progress is told how far a long run has come.
type Progress func(step string, done, total int64)

// Export writes a ZIP with the measurements that q finds (all pages), their
// photos, joints, reviews, card checks, the chain and the signed head. Check
// accepts it. Events of other sites are in it by their hashes alone.
func (a *Archive) Export(ctx context.Context, q Query, to io.Writer, tell Progress) error {
	return notBuilt
}

// Tx is a transaction in which other packages keep tables of their own beside
// the archive's (accounts, tokens, sessions), with their event in the same
// transaction. SQL is written for both databases, with ? for each value.
type Tx struct{}

// Write runs fn in a transaction that may write; it is committed, durably, when
// fn gives no error. On PostgreSQL fn may be run again after a serialisation failure.
func (a *Archive) Write(ctx context.Context, fn func(tx *Tx) error) error { return notBuilt }

// Read runs fn in a transaction that only reads, on one consistent state.
func (a *Archive) Read(ctx context.Context, fn func(tx *Tx) error) error { return notBuilt }
