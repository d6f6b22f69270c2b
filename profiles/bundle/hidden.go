package bundle

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"regexp"
	"slices"
	"strings"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/carnumber"
	"plugproof/decode/pattern"
	"plugproof/profiles"
	"plugproof/profiles/job"
	"plugproof/profiles/rules"
)

// asterisk stands for every byte of a payload that is not shown.
const asterisk = '*'

// byProfile is the reason for what the profile says is secret.
const byProfile = carnumber.Why("the profile says that it carries the vehicle number or a key exchange")

// hidden knows what must not be shown, in frames and in texts.
type hidden struct {
	secrets *rules.Secrets
	finder  *carnumber.Finder
	given   []string // numbers as people wrote them
}

// newHidden knows what the job and the settings say.
func newHidden(j *job.Job, opts Options) *hidden {
	settings := slices.Clone(opts.Others)
	if opts.Setting != nil {
		settings = append(settings, opts.Setting)
	}
	h := &hidden{secrets: rules.SecretsOf(settings...)}
	if len(j.Card.Car.VIN) >= job.ShortestNumber {
		h.given = []string{j.Card.Car.VIN}
	}
	h.finder = carnumber.NewFinder(h.given...)
	return h
}

// word finds what may be a vehicle number in a text: 17 capital letters and digits.
var word = pattern.Late(`\b[A-HJ-NPR-Z0-9]{17}\b`)

// text masks all numbers in a text, and counts them.
func (h *hidden) text(src []byte) (masked []byte, n int) {
	masked = src
	for _, number := range append(slices.Clone(h.given), h.finder.Numbers()...) {
		for _, form := range []string{number, hex.EncodeToString([]byte(strings.ToUpper(number)))} {
			re := regexp.MustCompile(`(?i)` + regexp.QuoteMeta(form))
			masked = re.ReplaceAllFunc(masked, func([]byte) []byte {
				n++
				return []byte(job.Mask(number))
			})
		}
	}
	masked = word().ReplaceAllFunc(masked, func(w []byte) []byte {
		if !carnumber.Mixed(w) {
			return w
		}
		n++
		return []byte(job.Mask(string(w)))
	})
	return masked, n
}

// name gives the name of a file without what must not be shown.
func (h *hidden) name(file string) string {
	masked, _ := h.text([]byte(file))
	return strings.ReplaceAll(string(masked), "*", "x")
}

// json masks a document: the payload of frames that are quoted, and the figures of
// signals that are secret. One in which there are none stays as it is, to the byte.
func (h *hidden) json(src []byte) (masked []byte, n int) {
	dec := json.NewDecoder(bytes.NewReader(src))
	dec.UseNumber()
	var doc any
	if dec.Decode(&doc) != nil {
		return src, 0 // is no JSON: a text
	}
	if n = h.walk(doc, h.finder.Mask()); n == 0 {
		return src, 0
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	if enc.Encode(doc) != nil {
		return nil, n // what was decoded can be encoded
	}
	return b.Bytes(), n
}

// figures are the keys of what is measured of a signal.
var figures = []string{"points", "before", "after", "measured", "limit"}

func (h *hidden) walk(node any, mask *carnumber.Mask) (n int) {
	switch node := node.(type) {
	case []any:
		for _, v := range node {
			n += h.walk(v, mask)
		}
	case map[string]any:
		message, _ := node["message"].(string)
		signal, _ := node["signal"].(string)
		if signal != "" && h.secrets.HoldValue(profiles.SignalRef(message+"."+signal)) {
			for _, key := range figures {
				if node[key] != nil {
					node[key] = nil
					n++
				}
			}
		}
		if raw, ok := node["raw"].(string); ok && h.quoted(raw, mask) {
			node["raw"] = rules.Hide(raw)
			n++
		}
		for _, v := range node {
			n += h.walk(v, mask)
		}
	}
	return n
}

// quoted reports whether a line quotes a frame that must not be shown.
func (h *hidden) quoted(line string, mask *carnumber.Mask) bool {
	r, err := capture.Open([]string{"-"}, capture.Options{Stdin: strings.NewReader(line + "\n"), Workers: 1})
	if err != nil {
		return false // shows none, as one that is hidden already
	}
	defer r.Close()
	var frames [1]can.Frame
	n, _ := r.Read(context.Background(), frames[:])
	return n == 1 && h.mask(mask, &frames[0]) != ""
}

// mask masks a frame that must not be shown and says why; "" when it may be shown.
// seen is that of the reading that the frame is part of.
func (h *hidden) mask(seen *carnumber.Mask, f *can.Frame) carnumber.Why {
	why := seen.Hides(f)
	switch {
	case f.Flags&can.Error != 0:
	case h.secrets.Mask(f, asterisk):
		return byProfile // which knows the bits
	case why != "":
		for i := range f.Payload() {
			f.Data[i] = asterisk
		}
	}
	return why
}
