package archive_test

import (
	"context"
	"fmt"
	"log"
	"os"

	"beltend/server/archive"
)

// An archive in a folder: a photo of a belt end and what was measured on it.
func Example() {
	folder, err := os.MkdirTemp("", "beltend-example-")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(folder)
	offset, head, err := keepOne(context.Background(), folder)
	if err != nil {
		log.Print(err)
		return
	}
	fmt.Printf("offset %.1f mm, %d events\n", offset, head.Seq)
	// Output: offset 1.5 mm, 6 events
}

func keepOne(ctx context.Context, folder string) (offset float64, head archive.Head, err error) {
	a, err := archive.Open(ctx, archive.Address{Folder: folder})
	if err != nil {
		return 0, head, err
	}
	defer a.Close()
	by := archive.Actor{ID: "u1", Name: "Mara Quill"}
	site, err := a.PutSite(ctx, by, archive.Site{Name: "Kestrel Hollow"}, "opened")
	if err != nil {
		return 0, head, err
	}
	conveyor, err := a.PutConveyor(ctx, by, archive.Conveyor{Site: site.ID, Name: "Crusher feed"}, "")
	if err != nil {
		return 0, head, err
	}
	belt, err := a.PutBelt(ctx, by, archive.Belt{Conveyor: conveyor.ID, Name: "KH-0417", NominalMM: 1000}, "")
	if err != nil {
		return 0, head, err
	}
	joint, err := a.PutJoint(ctx, by, archive.Joint{Belt: belt.ID, Number: "J12"}, "")
	if err != nil {
		return 0, head, err
	}
	photo, err := a.AddPhoto(ctx, by, archive.Photo{Site: site.ID, Type: "image/jpeg", Name: "IMG_1.jpg"}, []byte("the photo's bytes"))
	if err != nil {
		return 0, head, err
	}
	m, err := a.AddMeasurement(ctx, by, archive.Measurement{Joint: joint.ID, End: archive.Leading, Step: archive.StepCut, Person: by.Name,
		Files:  []archive.File{{SHA256: photo.SHA256, Role: archive.RolePhoto, Name: photo.Name}},
		Result: []byte(`{"schema":"beltend.measurement/1","verdict":"square","squareness":{"offset_mm":1.5,"offset_u95_mm":0.4,"tolerance_mm":2},"width":{"at_cut_mm":1001},"warnings":[]}`)}, "")
	if err != nil {
		return 0, head, err
	}
	head, err = a.Head(ctx)
	return *m.OffsetMM, head, err
}
