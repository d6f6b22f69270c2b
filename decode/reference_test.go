package decode

import (
	"fmt"
	"testing"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// sig reads the place, order and sign of a signal as an SG_ line writes them,
// "7|12@0-"; factor 1, offset 0.
func sig(t testing.TB, name, place string) *dbc.Signal {
	t.Helper()
	s := &dbc.Signal{Name: name, Factor: 1}
	var order int
	var sign string
	if _, err := fmt.Sscanf(place, "%d|%d@%d%s", &s.Start, &s.Length, &order, &sign); err != nil {
		t.Fatalf("%s %s: %v", name, place, err)
	}
	s.Order = dbc.ByteOrder(order)
	if sign == "-" {
		s.Type = dbc.Signed
	}
	return s
}

// message compiles a message of the given length and signals.
func message(t testing.TB, length int, signals ...*dbc.Signal) *Message {
	t.Helper()
	m, diags := compile(&dbc.Message{ID: 0x100, Name: "Test", Length: length, Signals: signals})
	for _, d := range diags {
		t.Errorf("unexpected: %s", d)
	}
	return m
}

// payload makes a frame that carries the bytes; more than 8 make it FD.
func payload(p ...byte) *can.Frame {
	f := &can.Frame{ID: 0x100}
	if len(p) > can.MaxClassicLen {
		f.Flags |= can.FD
	}
	f.SetPayload(p)
	return f
}

// bitPlaces lists the bits of a signal from the least significant on, as bit
// numbers of the payload (b: bit b%8 of byte b/8). It follows the pictures at
// Signal step by step and shares nothing with the code that it checks.
func bitPlaces(s *dbc.Signal) []int {
	places := make([]int, 0, s.Length)
	at := s.Start
	for range s.Length {
		places = append(places, at)
		switch {
		case s.Order == dbc.Intel:
			at++
		case at%8 == 0:
			at += 15
		default:
			at--
		}
	}
	if s.Order == dbc.Motorola { // those came most significant first
		for i, j := 0, len(places)-1; i < j; i, j = i+1, j-1 {
			places[i], places[j] = places[j], places[i]
		}
	}
	return places
}

// slowRaw reads a signal of up to 64 bits bit by bit.
func slowRaw(s *dbc.Signal, p []byte) uint64 {
	raw := uint64(0)
	places := bitPlaces(s)
	for i, b := range places {
		if p[b/8]&(1<<(b%8)) != 0 {
			raw += 1 << i
		}
	}
	top := places[len(places)-1]
	if s.Type == dbc.Signed && p[top/8]&(1<<(top%8)) != 0 {
		for i := s.Length; i < 64; i++ {
			raw += 1 << i
		}
	}
	return raw
}

// slowPut writes a signal of up to 64 bits bit by bit.
func slowPut(s *dbc.Signal, p []byte, raw uint64) {
	for i, b := range bitPlaces(s) {
		p[b/8] &^= 1 << (b % 8)
		if raw&(1<<i) != 0 {
			p[b/8] |= 1 << (b % 8)
		}
	}
}
