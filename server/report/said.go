package report

import (
	"maps"

	"beltend/server/result"
)

// The contract says everything in English beside a code. The sentence itself is
// in the catalogue: of a refusal as refused.CODE_REASON (and refused.CODE_REASON_do,
// or refused.CODE_do, for the advice), of a warning as warned.CODE or
// warned.CODE_REASON, of a finding as found.CODE, of an advice as advised.CODE, of an
// entry that cannot be used as wrong.CODE.
// English texts in mm are shown as they were said, others are made anew from code
// and values.

// plain says that the contract's own sentence is what the reader wants.
func (o Options) plain() bool { return o.units().English() && !o.Inches }

func named(code, reason string) string {
	if reason == "" {
		return code
	}
	return code + "_" + reason
}

// with is values with the photo's name.
func with(values result.Values, photo string) result.Values {
	all := result.Values{"photo": photo}
	maps.Copy(all, values)
	return all
}

// Refuse makes a refusal with its English sentences.
func Refuse(code, reason, photo string, values result.Values) *result.Refusal {
	r := &result.Refusal{Code: code, Reason: reason, Photo: photo, Values: values}
	r.Message, r.Advice = refusal(r, Options{})
	return r
}

// RefusalText is what is wrong and what to do.
func RefusalText(r *result.Refusal, o Options) (message, advice string) {
	if o.plain() && r.Message != "" {
		return r.Message, r.Advice
	}
	message, advice = refusal(r, o)
	u := o.units()
	if message == "" {
		message = u.Or("problem."+r.Code, r.Message)
	}
	if advice == "" {
		advice = u.Or("problem."+r.Code+"_do", r.Advice)
	}
	return message, advice
}

func refusal(r *result.Refusal, o Options) (message, advice string) {
	key, values := "refused."+named(r.Code, r.Reason), with(r.Values, r.Photo)
	message = Say(key, values, o)
	if advice = Say(key+"_do", values, o); advice == "" {
		advice = Say("refused."+r.Code+"_do", values, o)
	}
	return message, advice
}

// Warn makes a warning with its English sentence.
func Warn(code, reason string, values result.Values) result.Warning {
	w := result.Warning{Code: code, Reason: reason, Values: values}
	w.Message = Say("warned."+named(code, reason), values, Options{})
	return w
}

// anew is a sentence as it was said where the reader wants that, else made of its values;
// "" for one that was said before there were values.
func anew(key string, values result.Values, said string, o Options) string {
	if o.plain() {
		return said
	}
	return Say(key, values, o)
}

// WarningText is a warning's sentence.
func WarningText(w result.Warning, o Options) string {
	if text := anew("warned."+named(w.Code, w.Reason), w.Values, w.Message, o); text != "" {
		return text
	}
	return o.units().Or("warned."+w.Code+"_all", w.Message)
}

// WarningTexts are the sentences of warnings.
func WarningTexts(list []result.Warning, o Options) (out []string) {
	for _, w := range list {
		out = append(out, WarningText(w, o))
	}
	return out
}

// Find gives a finding its English sentence.
func Find(f result.Finding) result.Finding {
	f.Message = Say("found."+named(f.Code, f.Reason), f.Values, Options{})
	return f
}

// FindingText is a finding's sentence.
func FindingText(f result.Finding, o Options) string {
	if text := anew("found."+named(f.Code, f.Reason), f.Values, f.Message, o); text != "" {
		return text
	}
	u := o.units()
	if key := "finding." + f.Code; u.Has(key) {
		return u.Text(key) + ": " + u.length(max(f.SizeMM, -f.SizeMM))
	}
	return f.Message
}

// WrongText is why an entry cannot be used: as it was said where the reader wants that,
// else made of its code and values; empty for one without a sentence in that language.
func WrongText(code string, v result.Values, said string, o Options) string {
	if o.plain() && said != "" {
		return said
	}
	return Say("wrong."+code, v, o)
}

// Advise is the English advice of a code.
func Advise(code string) string {
	if code == "" {
		return ""
	}
	return Say("advised."+code, nil, Options{})
}

// AdviceText is what would settle an undecided verdict.
func AdviceText(m *result.Measurement, o Options) string {
	if m.Advice == "" || o.plain() {
		return m.Advice
	}
	if text := Say("advised."+m.AdviceCode, nil, o); text != "" {
		return text
	}
	return o.units().Or("answer.settle", m.Advice)
}

// FindHook gives a finding on a finished joint its English sentence.
func FindHook(f result.HookFinding) result.HookFinding {
	if f.Values == nil {
		f.Values = result.Values{}
	}
	f.Values["end_side"] = f.Side
	f.Message = Say("hook_found."+f.Code, f.Values, Options{})
	return f
}

// HookFindingText is the sentence of a finding on a finished joint.
func HookFindingText(f result.HookFinding, o Options) string {
	if o.plain() {
		return f.Message
	}
	if text := Say("hook_found."+f.Code, f.Values, o); text != "" {
		return text
	}
	return f.Message
}
