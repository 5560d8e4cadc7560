package archive

import (
	"encoding/json"
	"slices"
	"time"

	"beltend/server/result"
)

// Sites is the set of sites that a person may see. The zero value is none.
type Sites struct {
	all bool
	ids []string
}

// AllSites is every site: for the administrator and the command line.
func AllSites() Sites { return Sites{all: true} }

// SomeSites are the sites with these IDs.
func SomeSites(ids ...string) Sites {
	some := slices.DeleteFunc(slices.Sorted(slices.Values(ids)), func(id string) bool { return id == "" })
	return Sites{ids: slices.Compact(some)}
}

// All says whether every site is in the set, those to come too.
func (s Sites) All() bool { return s.all }

// Has says whether a site is in the set.
func (s Sites) Has(id string) bool {
	if s.all {
		return id != ""
	}
	_, ok := slices.BinarySearch(s.ids, id)
	return ok
}

// Both is what two sets share.
func (s Sites) Both(o Sites) Sites {
	if s.all {
		return o
	}
	if o.all {
		return s
	}
	var ids []string
	for _, id := range s.ids {
		if o.Has(id) {
			ids = append(ids, id)
		}
	}
	return Sites{ids: ids}
}

// Actor is who does something, as the events name them.
type Actor struct {
	ID   string // account, or where there are none: "local"
	Name string // as the person writes it; may be empty
}

// Site is a plant. Its records are seen by its own people only.
type Site struct {
	ID      string `json:"id"`
	Version int64  `json:"version"`
	Name    string `json:"name"`
	TwoSign bool   `json:"two_sign"` // a joint is accepted only by two persons
	Note    string `json:"note"`

	KeepLocation bool `json:"keep_location,omitempty"` // photos keep the place where they were taken; else it is taken out at intake
}

// Conveyor is one conveyor of a site.
type Conveyor struct {
	ID      string `json:"id"`
	Version int64  `json:"version"`
	Site    string `json:"site"`
	Name    string `json:"name"`
}

// Belt is the belt that lies, or lay, on a conveyor.
type Belt struct {
	ID          string  `json:"id"`
	Version     int64   `json:"version"`
	Site        string  `json:"site"`
	Conveyor    string  `json:"conveyor"`
	Name        string  `json:"name"`
	NominalMM   float64 `json:"nominal_mm"`   // width; 0: unknown
	ThicknessMM float64 `json:"thickness_mm"` // 0: unknown
	Covers      string  `json:"covers"`       // as the belt's papers write them, "4+2"
}

// Which of a joint's two ends: the leading side passes a fixed point first.
const (
	Leading  = "leading"
	Trailing = "trailing"
)

// Steps of making a joint.
const (
	StepDrawn    = "drawn_line"
	StepCut      = "cut"
	StepRecut    = "recut"
	StepFinished = "finished"
)

// Joint is one place where a belt's two ends are joined. The conveyor and the
// site are those of its belt.
type Joint struct {
	ID               string    `json:"id"`
	Version          int64     `json:"version"`
	Site             string    `json:"site"`
	Conveyor         string    `json:"conveyor"`
	Belt             string    `json:"belt"`
	Number           string    `json:"number"` // as the site counts; unique on its belt
	Opened           time.Time `json:"opened"` // set when it is first kept, where zero
	ThicknessMM      float64   `json:"thickness_mm"`
	Travel           string    `json:"travel"`  // travel direction as the technician states it
	FaceUp           string    `json:"face_up"` // "carrying" or "pulley"
	SmallestPulleyMM float64   `json:"smallest_pulley_mm"`
	ToleranceMM      float64   `json:"tolerance_mm"` // 0: the default, 2 mm per metre of width
	ToleranceOrigin  string    `json:"tolerance_origin"`
	Note             string    `json:"note"`
	Closed           bool      `json:"closed"` // nothing more is to be done
	Cautions         *Cautions `json:"cautions,omitempty"`
}

// Cautions tells who acknowledged them.
type Cautions struct {
	Name string    `json:"name"`
	Time time.Time `json:"time"`
	Text string    `json:"text"` // version of the text
}

// Photo is a file kept under its hash: a photo as it was taken, less its
// location where that was stripped at intake, or a picture made from one.
type Photo struct {
	Site            string    `json:"site"`
	SHA256          string    `json:"sha256"` // of the bytes kept
	Bytes           int64     `json:"bytes"`
	Type            string    `json:"type"` // media type
	Name            string    `json:"name"` // as the person's device called it; never used as a path
	LocationRemoved bool      `json:"location_removed"`
	LocationKept    bool      `json:"location_kept,omitempty"` // the photo names a place, and its site keeps that
	Added           time.Time `json:"added"`
	Person          string    `json:"person"`
}

// Roles of a measurement's files.
const (
	RolePhoto   = "photo" // as taken; the others are made from it
	RoleOverlay = "overlay"
	RoleTopDown = "topdown"
	RoleProfile = "profile"
)

// File is a photo or picture as part of a measurement, in order.
type File struct {
	SHA256 string `json:"sha256"`
	Role   string `json:"role"`
	Name   string `json:"name"`
}

// Measurement is one result with what it belongs to. AddMeasurement asks for
// the fields of the first group (those marked optional may be empty) and takes
// the second group from Result.
type Measurement struct {
	ID            string    `json:"id"`       // NewID; empty: one is made
	Site          string    `json:"site"`     // from the joint
	Conveyor      string    `json:"conveyor"` // from the joint
	Belt          string    `json:"belt"`     // from the joint
	Joint         string    `json:"joint"`
	End           string    `json:"end"` // Leading or Trailing
	Step          string    `json:"step"`
	Time          time.Time `json:"time"`               // of the photo or the measuring; zero: now
	Person        string    `json:"person"`             // name of who took the photo, or taped
	PersonID      string    `json:"person_id"`          // optional: account
	CardSet       string    `json:"card_set"`           // optional: ID of a CardSet
	CameraProfile string    `json:"camera_profile"`     // name and SHA-256 of the profile used: from Result where that names one, empty: from the photo alone
	Supersedes    string    `json:"supersedes"`         // optional: ID of the measurement that this one repeats on the same photos
	Beside        string    `json:"beside,omitempty"`   // optional: ID of the one that this one repeats on the same photos to compare program and method; it never is the joint's answer
	Promotes      string    `json:"promotes,omitempty"` // ID of the one beside Supersedes whose result this is: a reviewer made it the answer (Promote)
	Note          string    `json:"note"`               // optional
	Files         []File    `json:"files"`              // kept before with AddPhoto; none where the end was taped

	Source         string   `json:"source,omitempty"` // result.FromTape or result.FromBoth; empty: photos
	Verdict        string   `json:"verdict"`          // empty when refused
	Refusal        string   `json:"refusal"`          // code, empty when measured
	OffsetMM       *float64 `json:"offset_mm"`
	U95MM          *float64 `json:"u95_mm"`
	WidthMM        *float64 `json:"width_mm"` // at the cut
	ToleranceMM    *float64 `json:"tolerance_mm"`
	BowMM          *float64 `json:"bow_mm"`       // the finding's size, 0 when none was found
	RoughnessMM    *float64 `json:"roughness_mm"` // RMS of the cut from its line
	ProgramVersion string   `json:"program_version"`
	MethodVersion  string   `json:"method_version"`
	CardScale      string   `json:"card_scale"` // "x,y" as measured / nominal; empty: not measured
	ResultSHA256   string   `json:"result_sha256"`
	Words          string   `json:"words"` // what Query.Text looks through

	// Result is the whole object of schema beltend.measurement/1, kept as it is
	// given. Lists leave it out.
	Result json.RawMessage `json:"-"`
}

// Decode gives the result as Go values.
func (m *Measurement) Decode() (*result.Measurement, error) {
	var r result.Measurement
	if err := json.Unmarshal(m.Result, &r); err != nil {
		return nil, fail(Damaged, "The result of measurement "+m.ID+" cannot be read", err)
	}
	return &r, nil
}

// CardSet is a set of reference cards printed together.
type CardSet struct {
	ID      string    `json:"id"`
	Version int64     `json:"version"`
	Site    string    `json:"site"`
	Number  string    `json:"number"`  // unique at its site
	Cards   string    `json:"cards"`   // which, "1-4"
	Printed time.Time `json:"printed"` // date; may be zero
	Note    string    `json:"note"`
	Retired bool      `json:"retired"`
}

// CardCheck is one look at a card set with a rule.
type CardCheck struct {
	ID       string    `json:"id"`
	Site     string    `json:"site"` // from the card set
	CardSet  string    `json:"card_set"`
	Time     time.Time `json:"time"`      // zero: now
	AcrossMM float64   `json:"across_mm"` // the 200 mm bar as read
	UpMM     float64   `json:"up_mm"`     // the 150 mm bar as read
	Rule     string    `json:"rule"`      // which steel rule or tape
	RuleDue  time.Time `json:"rule_due"`  // when the rule is due; may be zero
	Good     bool      `json:"good"`
	Due      time.Time `json:"due"` // of the next check; may be zero
	Person   string    `json:"person"`
	Note     string    `json:"note"`
}

// Outcomes of a review.
const (
	Accepted   = "accepted"
	SentBack   = "sent_back"
	Concession = "concession" // accepted although outside, by whom
)

// Review is one sign-off on a measurement.
type Review struct {
	ID           string    `json:"id"`
	Site         string    `json:"site"`  // from the measurement
	Joint        string    `json:"joint"` // from the measurement
	Measurement  string    `json:"measurement"`
	Outcome      string    `json:"outcome"`
	Reason       string    `json:"reason"`        // asked for when sent back or conceded
	ConcessionBy string    `json:"concession_by"` // asked for when conceded
	Sign         int       `json:"sign"`          // 1 or 2; set by the archive
	Person       string    `json:"person"`
	PersonID     string    `json:"person_id"`
	Time         time.Time `json:"time"` // zero: now
}

// Event tells of one change; see the package's doc for its hashes.
type Event struct {
	Seq           int64           `json:"seq"`
	Time          time.Time       `json:"time"`
	Who           string          `json:"who"`
	Name          string          `json:"name"`
	What          string          `json:"what"`    // "joint.changed"
	Site          string          `json:"site"`    // empty: of the whole archive
	Subject       string          `json:"subject"` // "joint/ID"
	Reason        string          `json:"reason"`
	Nonce         string          `json:"nonce"`
	Payload       json.RawMessage `json:"payload,omitempty"` // of records that can change
	PayloadSHA256 string          `json:"payload_sha256"`
	Body          string          `json:"body"`
	Prev          string          `json:"prev"`
	Hash          string          `json:"hash"`
}

// Head is the end of the chain of events.
type Head struct {
	Archive string `json:"archive"` // the archive's ID
	Seq     int64  `json:"seq"`     // 0: no event yet
	Hash    string `json:"hash"`
}

// Query asks for measurements. Sites is needed; every other field narrows the
// answer unless it is empty.
type Query struct {
	Sites    Sites
	Conveyor string // ID
	Belt     string // ID
	Joint    string // ID
	End      string
	Step     string
	Person   string // name, whole
	CardSet  string // ID
	Verdict  string // square, recut, undecided, or "refused"
	From, To time.Time
	// Offset from OffsetMin to OffsetMax, signed, mm.
	OffsetMin, OffsetMax *float64
	// Text finds measurements that have a word beginning with each word of it: in
	// names of site, conveyor, belt, person, in numbers of joint and card set, in
	// the note, in the source (tape, photos) where that is not photos alone, and in codes of the verdict, refusal, findings and warnings. Case
	// and accents do not matter.
	Text string
	// Review is "" (any), "open" (no sign-off yet, and not refused), Accepted, SentBack or Concession
	// (the latest sign-off says so).
	Review string
	// Newest leaves out measurements that were made again; Answered those refused.
	// Both leave out what was measured beside another, to compare.
	Newest, Answered bool
	After            string // Page.Next of the page before
	Limit            int    // 1 to 500; 0: 50
}

// Found is a measurement in a list, with names for people.
type Found struct {
	Measurement
	SiteName     string
	ConveyorName string
	BeltName     string
	JointNumber  string
	CardSetNo    string
	SupersededBy string // ID of the measurement that repeats this one
	Review       string // outcome of the latest sign-off, "" when none
	Signs        int    // sign-offs so far
	CardDoubt    bool   // its card set was found bad at the next check after it

	PhotosRemoved int // of its photos, by rules of retention; not in lists
}

// Stands says whether it counts among its joint's answers: it was not made again
// and is not beside another, to compare.
func (f *Found) Stands() bool { return f.SupersededBy == "" && f.Beside == "" }

// Page is a part of a list, newest first.
type Page struct {
	Items []Found
	Next  string // for Query.After; empty at the end
}

// Point is a measurement in a chart.
type Point struct {
	ID          string
	Time        time.Time
	Site        string
	Person      string
	End         string
	Step        string
	Verdict     string
	OffsetMM    float64
	U95MM       float64
	ToleranceMM float64
	BowMM       float64
	RoughnessMM float64
}

// EventQuery asks for events, newest first.
type EventQuery struct {
	Sites   Sites // AllSites also shows events of the whole archive
	Subject string
	What    string
	Before  int64 // events before this number; 0: from the newest
	Limit   int   // 1 to 500; 0: 50
}
