package service

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
)

// Target is a module that is asked by its own address.
type Target struct {
	Name string // as the profile names it; "" for one that only answered
	Link Link
}

// Plan is what is asked of whom.
type Plan struct {
	Extended bool     // the emission services by 29-bit identifiers instead of 11-bit ones
	Targets  []Target // asked by their own address, whether they answer the rest or not
	Bus      uint16
}

// Module is what one module said.
type Module struct {
	Target
	Codes          []Code
	VIN            string // "": not asked or not told
	Identification []Field
	Answered       []string // what it answered, in the order asked: "03", "19 02"
	Refused        []string // what it refused and why, in words
	Problems       []string // answers that were lost or make no sense
}

// Field is one piece of identification.
type Field struct {
	ID    uint16 // ISO 14229-1: data identifier
	Name  string
	Value string
}

// Report is the result of a reading.
type Report struct {
	Modules []Module // those that said anything, by identifier
	Silent  []Target // those of the plan that did not
}

// Read asks for trouble codes and what identifies the modules. progress gets
// each step in words before it begins; nil: nobody. The error is that of the bus
// or of ctx; what was read until then is returned with it.
func Read(ctx context.Context, c *Client, plan Plan, progress func(string)) (*Report, error) {
	if progress == nil {
		progress = func(string) {}
	}
	r := &reading{c: c, plan: plan, progress: progress, found: map[Link]*Module{}}
	err := r.emission(ctx)
	if err == nil {
		err = r.each(ctx)
	}
	return r.report(), err
}

type reading struct {
	c        *Client
	plan     Plan
	progress func(string)
	found    map[Link]*Module
}

// Links are all that the plan talks on: what a guard lets out.
func (p *Plan) Links() []Link {
	links := Standard(p.Extended)
	for _, t := range p.Targets {
		if !slices.Contains(links, t.Link) {
			links = append(links, t.Link)
		}
	}
	for i := range links {
		links[i].Bus = p.Bus
	}
	return links
}

// module is the entry of a link.
func (r *reading) module(l Link) *Module {
	m := r.found[l]
	if m == nil {
		m = &Module{Target: Target{Link: l}}
		for _, t := range r.plan.Targets {
			if t.Link.Rx == l.Rx && t.Link.Extended == l.Extended {
				m.Name = t.Name
			}
		}
		r.found[l] = m
	}
	return m
}

// question is a request and what becomes of its answer.
type question struct {
	name    string
	request []byte
	parse   func(*Module, []byte) error
}

// emission asks the modules of the emission services all at once.
func (r *reading) emission(ctx context.Context) error {
	to := Everyone(r.plan.Extended)
	to.Bus = r.plan.Bus
	from := Standard(r.plan.Extended)
	for i := range from {
		from[i].Bus = r.plan.Bus
	}
	for _, q := range []question{
		{"03 (stored codes)", []byte{serviceStored}, (*Module).emissionCodes},
		{"07 (pending codes)", []byte{servicePending}, (*Module).emissionCodes},
		{"0A (permanent codes)", []byte{servicePermanent}, (*Module).emissionCodes},
		{"09 02 (vehicle number)", []byte{serviceVehicle, vehicleVIN}, (*Module).vin},
	} {
		r.progress("asking all modules for service " + q.name)
		if _, err := r.ask(ctx, q, to, from); err != nil {
			return err
		}
	}
	return nil
}

// each asks every module by its own address: those of the plan, and those that
// answered before.
func (r *reading) each(ctx context.Context) error {
	var links []Link
	for l := range r.found {
		links = append(links, l)
	}
	for _, t := range r.plan.Targets {
		t.Link.Bus = r.plan.Bus
		if !slices.Contains(links, t.Link) {
			links = append(links, t.Link)
		}
	}
	slices.SortFunc(links, byAnswer)
	for _, l := range links {
		if err := r.one(ctx, l); err != nil {
			return err
		}
	}
	return nil
}

// one asks one module for its codes and for what identifies it.
func (r *reading) one(ctx context.Context, l Link) error {
	r.progress(fmt.Sprintf("asking the module at 0x%X", l.Tx))
	byStatus := question{"19 02 (codes by status)", []byte{serviceCodes, codesByStatus, present}, (*Module).codes}
	done, err := r.ask(ctx, byStatus, l, []Link{l})
	if err != nil {
		return err
	}
	if !done && r.found[l] != nil {
		known := question{"19 0A (all codes it knows)", []byte{serviceCodes, codesKnown}, (*Module).codes}
		if _, err := r.ask(ctx, known, l, []Link{l}); err != nil {
			return err
		}
	}
	if r.found[l] == nil {
		return nil // silent: the rest would only wait
	}
	for _, field := range fields {
		request := binary.BigEndian.AppendUint16([]byte{serviceData}, field.ID)
		q := question{
			fmt.Sprintf("22 %04X (%s)", field.ID, field.Name), request,
			func(m *Module, answer []byte) error { return m.field(field, answer) },
		}
		if _, err := r.ask(ctx, q, l, []Link{l}); err != nil {
			return err
		}
	}
	return nil
}

// fields are what identifies a module (ISO 14229-1, numbers from memory but for F187 and F190).
var fields = []Field{
	{ID: dataVIN, Name: "vehicle number"},
	{ID: dataPartNumber, Name: "spare part number"},
	{ID: dataSoftware, Name: "software version"},
	{ID: dataSystem, Name: "system name"},
}

// ask puts one question and files the answers; it reports whether all that
// answered answered with what was asked for, and anybody did.
func (r *reading) ask(ctx context.Context, q question, to Link, from []Link) (bool, error) {
	answers, err := r.c.Ask(ctx, to, from, q.request)
	if err != nil {
		return false, err
	}
	good := len(answers) > 0
	for _, a := range answers {
		m := r.module(a.Link)
		if refusal, ok := errors.AsType[*Refusal](a.Err); ok {
			m.Refused = append(m.Refused, fmt.Sprintf("%s: %s", q.name, refusal.Words()))
			good = false
			continue
		}
		err := a.Err
		if err == nil {
			err = q.parse(m, a.Data)
		}
		if err != nil {
			m.Problems = append(m.Problems, fmt.Sprintf("%s: %v", q.name, err))
			good = false
			continue
		}
		m.Answered = append(m.Answered, q.name)
	}
	return good, nil
}

func (m *Module) emissionCodes(answer []byte) error {
	codes, err := ParseEmissionCodes(answer)
	m.Codes = append(m.Codes, codes...)
	return err
}

func (m *Module) codes(answer []byte) error {
	_, codes, err := ParseCodes(answer)
	for _, c := range codes {
		// A list of all that a module knows also names what has never failed.
		if !c.HasStatus || c.Status.Present() {
			m.Codes = append(m.Codes, c)
		}
	}
	return err
}

func (m *Module) vin(answer []byte) (err error) {
	m.VIN, err = ParseVIN(answer)
	return err
}

func (m *Module) field(f Field, answer []byte) error {
	id, data, err := ParseData(answer)
	switch {
	case err != nil:
		return err
	case id != f.ID:
		return fmt.Errorf("it answers with number %04X", id)
	case id == dataVIN:
		m.VIN = text(data)
	default:
		f.Value = text(data)
		m.Identification = append(m.Identification, f)
	}
	return nil
}

func byAnswer(a, b Link) int { return int(a.Rx) - int(b.Rx) }

// report puts the modules in order and finds the silent ones.
func (r *reading) report() *Report {
	report := &Report{}
	for _, m := range r.found {
		report.Modules = append(report.Modules, *m)
	}
	slices.SortFunc(report.Modules, func(a, b Module) int { return byAnswer(a.Link, b.Link) })
	for _, t := range r.plan.Targets {
		if !slices.ContainsFunc(report.Modules, func(m Module) bool {
			return m.Link.Rx == t.Link.Rx && m.Link.Extended == t.Link.Extended
		}) {
			report.Silent = append(report.Silent, t)
		}
	}
	return report
}
