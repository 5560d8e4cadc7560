package httpapi

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"beltend/server/measure"
	"beltend/server/result"
	"beltend/server/setting"
	"beltend/server/worker"
	"beltend/vision/photo"
)

const maxField = 64 << 10 // bytes of a field that is not a photo

// admit waits for room in memory for so many bytes of photos; leave gives it back.
func (s *service) admit(ctx context.Context, bytes int64) (leave func(), err error) {
	ctx, cancel := context.WithTimeout(ctx, roomWait)
	defer cancel()
	if s.room.Acquire(ctx, bytes) != nil {
		return func() {}, &worker.Busy{RetryAfter: roomWait}
	}
	s.reading.Add(1)
	return func() {
		s.reading.Add(-1)
		s.room.Release(bytes)
	}, nil
}

// roomWait is how long an upload waits for room, unread.
const roomWait = 5 * time.Second

// readJob reads a multipart form as it streams in: photos, and the settings as
// one JSON field or one field each. Fields named in others are returned. leave is
// called when the photos are needed no more.
func (s *service) readJob(c *gin.Context, others ...string) (job worker.Job, fields map[string]string, leave func(), err error) {
	bytes := c.Request.ContentLength
	if bytes < 0 || bytes > s.MaxUpload {
		bytes = s.MaxUpload
	}
	if leave, err = s.admit(c.Request.Context(), bytes); err == nil {
		job, fields, err = s.readForm(c, others)
	}
	return job, fields, leave, err
}

func (s *service) readForm(c *gin.Context, others []string) (worker.Job, map[string]string, error) {
	if kind, _, _ := mime.ParseMediaType(c.GetHeader("Content-Type")); kind != "multipart/form-data" {
		return worker.Job{}, nil, problem{Status: http.StatusUnsupportedMediaType, Code: "not_multipart",
			Detail: "The request is not multipart/form-data.", Advice: "Send the photos as fields named photos of a multipart form."}
	}
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, s.MaxUpload)
	parts, err := c.Request.MultipartReader()
	if err != nil {
		return worker.Job{}, nil, badForm(err)
	}
	var job worker.Job
	fields := map[string]string{}
	for {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return job, nil, s.tooLarge(err)
		}
		switch name := strings.ReplaceAll(part.FormName(), "_", "-"); {
		case name == "photos" || name == "photo":
			if err := s.readPhoto(part, &job); err != nil {
				return job, nil, err
			}
		case name == "camera":
			profile, err := io.ReadAll(io.LimitReader(part, maxField+1))
			if err != nil {
				return job, nil, s.tooLarge(err)
			}
			if len(profile) > maxField {
				return job, nil, &measure.UsageError{Setting: name, Message: "the profile is too long: send the file that beltend calibrate wrote", Code: "profile_too_long"}
			}
			if len(profile) > 0 { // a form's file field left empty
				fields["camera"], fields["camera-name"] = string(profile), photoName(part.FileName(), -1)
			}
		case name == "settings" || slices.Contains(setting.Names, name) || slices.Contains(others, name):
			b, err := io.ReadAll(io.LimitReader(part, maxField+1))
			if err != nil {
				return job, nil, s.tooLarge(err)
			}
			if len(b) > maxField {
				return job, nil, &measure.UsageError{Setting: name, Message: "the field is too long", Code: "field_too_long"}
			}
			fields[name] = string(b)
		default:
			return job, nil, &measure.UsageError{Setting: part.FormName(), Message: "there is no such field: see /api/v1/openapi.json", Code: "no_such_field"}
		}
	}
	if len(job.Photos) == 0 {
		return job, nil, problem{Status: http.StatusBadRequest, Code: "no_photo", Detail: "The request holds no photo.", Advice: "Choose at least one photo of the belt end."}
	}
	if job.Settings, err = settings(fields); err != nil || fields["camera"] == "" {
		return job, fields, err
	}
	if len(job.Settings.Camera) > 0 {
		return job, nil, &measure.UsageError{Setting: "camera", Message: "is given beside the settings object: give it once", Code: "given_twice"}
	}
	return job, fields, setting.UseCamera(&job.Settings, fields["camera-name"], []byte(fields["camera"]))
}

func (s *service) readPhoto(part *multipart.Part, job *worker.Job) error {
	limit := photo.DefaultLimits().MaxBytes
	data, err := io.ReadAll(io.LimitReader(part, limit+1))
	if err != nil {
		return s.tooLarge(err)
	}
	name := photoName(part.FileName(), len(job.Photos))
	switch {
	case len(data) == 0 && part.FileName() == "": // a form's file field left empty
		return nil
	case int64(len(data)) > limit:
		return &result.Refusal{Code: photo.CodeTooLarge, Photo: name,
			Message: fmt.Sprintf("%s has more than %d MB.", name, limit>>20),
			Advice:  "Set the camera to its ordinary JPEG and take the photo again."}
	case len(job.Photos) == measure.MaxPhotos:
		return problem{Status: http.StatusBadRequest, Code: "too_many_photos", Detail: fmt.Sprintf("More than %d photos were sent.", measure.MaxPhotos),
			Advice: "Send the sharpest photos of this end only."}
	}
	job.Photos = append(job.Photos, measure.Input{Name: name, Data: data})
	return nil
}

// photoName is the file's own name without its folders, cut to a length that
// fits a page, or a number where there is none.
func photoName(name string, i int) string {
	name = filepath.Base(strings.ReplaceAll(strings.ToValidUTF8(name, ""), "\\", "/"))
	name = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return -1
		}
		return r
	}, name)
	if r := []rune(name); len(r) > 80 {
		name = string(r[:80])
	}
	if (name == "" || name == "." || name == "/") && i < 0 {
		return "camera profile"
	}
	if name == "" || name == "." || name == "/" {
		return fmt.Sprintf("photo %d", i+1)
	}
	return name
}

// settings reads one JSON object, or the fields people type. Not both: nobody
// could say which holds.
func settings(fields map[string]string) (result.Settings, error) {
	text, ok := fields["settings"]
	if !ok {
		return setting.Parse(func(name string) string { return fields[name] })
	}
	for _, name := range setting.Names {
		if fields[name] != "" {
			return result.Settings{}, &measure.UsageError{Setting: name, Message: "is given beside the settings object: give it there", Code: "given_beside"}
		}
	}
	var s result.Settings
	d := json.NewDecoder(bytes.NewBufferString(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&s); err != nil {
		return s, &measure.UsageError{Setting: "settings", Message: "not the JSON object expected: " + strings.TrimPrefix(err.Error(), "json: "), Code: "not_json"}
	}
	if d.More() {
		return s, &measure.UsageError{Setting: "settings", Message: "more than one JSON value", Code: "json_twice"}
	}
	return s, nil
}

func (s *service) tooLarge(err error) error {
	var max *http.MaxBytesError
	if errors.As(err, &max) {
		return problem{Status: http.StatusRequestEntityTooLarge, Code: "request_too_large",
			Detail: fmt.Sprintf("The photos together have more than %d MB.", max.Limit>>20), Advice: "Send fewer photos at once."}
	}
	return badForm(err)
}

func badForm(err error) error {
	return problem{Status: http.StatusBadRequest, Code: "bad_form", Detail: "The form is damaged or broke off: " + err.Error() + ".", Advice: "Send it again."}
}
