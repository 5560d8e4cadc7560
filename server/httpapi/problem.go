package httpapi

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"beltend/geometry"
	"beltend/server/account"
	"beltend/server/archive"
	"beltend/server/chart"
	"beltend/server/measure"
	"beltend/server/order"
	"beltend/server/pages"
	"beltend/server/result"
	"beltend/server/worker"
	"beltend/vision/photo"
)

// problem is an error as RFC 9457 writes it, with the code, the advice and what
// the error is about.
type problem struct {
	Type    string `json:"type"`
	Title   string `json:"title"`
	Status  int    `json:"status"`
	Detail  string `json:"detail"`
	Code    string `json:"code"`
	Advice  string `json:"advice,omitempty"`
	Photo   string `json:"photo,omitempty"`
	Setting string `json:"setting,omitempty"`

	Instance string `json:"instance,omitempty"` // address of the record of a refusal

	retryAfter int             // seconds
	refused    *result.Refusal // what it was made from, if from a refusal
	outside    *geometry.Range // that an entry is out of, if it is
	wrong      string          // code of what is wrong with the entry, and what it is about
	values     geometry.Values
	faults     chart.Faults // that the entry's chart has
}

func (p problem) Error() string { return p.Code + ": " + p.Detail }

var (
	problemNotFound = problem{Status: http.StatusNotFound, Code: "not_found", Detail: "There is nothing at this address.", Advice: "Look for the measurement in the list; measurements of other sites are not shown."}
	problemMethod   = problem{Status: http.StatusMethodNotAllowed, Code: "method_not_allowed", Detail: "This address does not take that method.", Advice: "See /api/v1/openapi.json for what it takes."}
	problemFault    = problem{Status: http.StatusInternalServerError, Code: "fault", Detail: "The service failed at this request.", Advice: "Try again; if it stays, look at the service's log."}
	problemCautions = problem{Status: http.StatusConflict, Code: "cautions_open", Detail: "The cautions of this joint are not acknowledged yet.", Advice: "Acknowledge them on the joint's page."}
	problemStopping = problem{Status: http.StatusServiceUnavailable, Code: "stopping", Detail: "The service is being stopped.", Advice: "Send the photos again when it runs.", retryAfter: 10}
)

// problemOf chooses status and words for an error.
func problemOf(err error) problem {
	var p problem
	var refused *result.Refusal
	var wrong *geometry.WrongValue
	var usage *measure.UsageError
	var faults chart.Faults
	var busy *worker.Busy
	var late *order.Late
	var many *account.TooMany
	var kept *archive.Error
	switch {
	case errors.As(err, &p):
		return p
	case errors.As(err, &refused):
		return problem{Status: refusalStatus(refused.Code), Code: refused.Code, Detail: refused.Message, Advice: refused.Advice, Photo: refused.Photo, refused: refused}
	case errors.As(err, &wrong):
		return problem{Status: http.StatusBadRequest, Code: "wrong_setting", Detail: wrong.Error(), Advice: "Correct the setting and send it again.", Setting: wrong.Name, outside: wrong.Range, wrong: wrong.Code, values: wrong.Values}
	case errors.As(err, &usage):
		return problem{Status: http.StatusBadRequest, Code: "wrong_setting", Detail: usage.Error(), Advice: "Correct the setting and send it again.", Setting: usage.Setting, wrong: usage.Code, values: usage.Values}
	case errors.As(err, &faults):
		return problem{Status: http.StatusBadRequest, Code: "wrong_setting", Detail: "chart: " + faults.Error(), Advice: "Correct the setting and send it again.", Setting: "chart", faults: faults}
	case errors.As(err, &many):
		return problem{Status: http.StatusTooManyRequests, Code: "too_many_sign_ins", Detail: "Too many sign-ins have failed.", Advice: "Wait, then try again; an administrator can set a new password.",
			retryAfter: max(1, int(math.Ceil(many.RetryAfter.Seconds())))}
	case errors.As(err, &busy):
		return problem{Status: http.StatusServiceUnavailable, Code: "busy", Detail: "Too many measurements are waiting.", Advice: "Send the photos again a little later.",
			retryAfter: max(1, int(math.Ceil(busy.RetryAfter.Seconds())))}
	case errors.As(err, &late):
		return problem{Status: http.StatusServiceUnavailable, Code: "still_waiting", Detail: "The measurement still waits for its turn; the photos are kept.", Advice: "Send the same again later: it finds its answer.",
			retryAfter: max(1, int(math.Ceil(late.RetryAfter.Seconds())))}
	case errors.Is(err, archive.NotFound):
		return problemNotFound
	case errors.As(err, &kept) && kept.Kind == archive.Invalid && kept.Code != "":
		return problem{Status: http.StatusBadRequest, Code: "invalid", Detail: kept.Message, Advice: "Correct it and send it again.", Setting: kept.Field, wrong: kept.Code, values: kept.Values}
	case errors.Is(err, archive.Invalid):
		return problem{Status: http.StatusBadRequest, Code: "invalid", Detail: archive.Message(err), Advice: "Correct it and send it again.", Setting: field(archive.Message(err))}
	case errors.Is(err, archive.Conflict):
		errors.As(err, &kept)
		return problem{Status: http.StatusConflict, Code: "conflict", Detail: archive.Message(err), Advice: "Look at the record as it is now, then decide again.", wrong: codeOf(kept)}
	case errors.Is(err, archive.Removed):
		return problem{Status: http.StatusGone, Code: "photo_removed", Detail: archive.Message(err), Advice: "The record tells when, by which rule, and who applied it."}
	case errors.Is(err, archive.Full):
		return problem{Status: http.StatusInsufficientStorage, Code: "disk_full", Detail: archive.Message(err), Advice: "Tell whoever runs this service."}
	case errors.Is(err, archive.Damaged):
		return problem{Status: http.StatusInternalServerError, Code: "damaged", Detail: archive.Message(err), Advice: "Tell whoever runs this service."}
	case errors.Is(err, archive.Unavailable):
		return problem{Status: http.StatusServiceUnavailable, Code: "unavailable", Detail: archive.Message(err), Advice: "Try again in a moment.", retryAfter: 5}
	case errors.Is(err, worker.ErrClosed), errors.Is(err, context.Canceled):
		return problemStopping
	}
	return problemFault
}

func codeOf(e *archive.Error) string {
	if e == nil {
		return ""
	}
	return e.Code
}

// field is what a message of the archive names first, "role: give one at least".
func field(message string) string {
	name, _, named := strings.Cut(message, ":")
	if !named || strings.ContainsAny(name, " .") {
		return ""
	}
	return name
}

// refusalStatus is 422 for a photo that can be read but not measured.
func refusalStatus(code string) int {
	switch code {
	case photo.CodeTooLarge:
		return http.StatusRequestEntityTooLarge
	case photo.CodeNotPhoto, photo.CodeUnsupported:
		return http.StatusUnsupportedMediaType
	}
	return http.StatusUnprocessableEntity
}

// fail answers with the problem: a page for addresses of pages, else JSON.
func (s *service) fail(c *gin.Context, err error) {
	p := problemOf(err)
	if p.Status >= http.StatusInternalServerError && p.Status != http.StatusServiceUnavailable {
		s.Log.Error("request failed", "method", c.Request.Method, "route", c.FullPath(), "error", err)
	}
	p.Type = "urn:beltend:problem:" + p.Code
	_, p.Title = titleOf(p)
	if p.retryAfter > 0 {
		c.Header("Retry-After", retryAfter(p))
	}
	c.Abort()
	if !strings.HasPrefix(c.Request.URL.Path, "/api/") && strings.Contains(c.GetHeader("Accept"), "text/html") {
		data := s.problemData(c, p)
		s.render(c, p.Status, "problem.html", pages.Page{Title: data.Title, Data: data})
		return
	}
	b, err := json.Marshal(p)
	if err != nil { // texts and a number: cannot happen
		c.Status(http.StatusInternalServerError)
		return
	}
	c.Data(p.Status, "application/problem+json", b)
}

func retryAfter(p problem) string { return strconv.Itoa(p.retryAfter) }

// titleOf is the title of a problem and its text's key; what was refused may be from no photo.
func titleOf(p problem) (key, text string) {
	switch p.Code {
	case "tape_disagrees", "no_fastener_fits", "fastener_does_not_fit":
		return "status.values", "No answer from these values"
	}
	return "status." + strconv.Itoa(p.Status), title(p.Status)
}

func title(status int) string {
	switch status {
	case http.StatusUnprocessableEntity:
		return "No answer from these photos"
	case http.StatusRequestEntityTooLarge:
		return "Too large"
	case http.StatusUnsupportedMediaType:
		return "Not a photo that can be read"
	case http.StatusBadRequest:
		return "The request is not right"
	case http.StatusServiceUnavailable:
		return "Not now"
	case http.StatusUnauthorized:
		return "Not signed in"
	case http.StatusForbidden:
		return "Not allowed"
	case http.StatusConflict:
		return "It does not fit what is kept"
	case http.StatusInsufficientStorage:
		return "No room left"
	case http.StatusInternalServerError:
		return "The service failed"
	}
	return http.StatusText(status)
}

func (s *service) panicked(c *gin.Context, cause any) {
	s.Log.Error("panic", "route", c.FullPath(), "cause", cause)
	s.fail(c, problemFault)
}
