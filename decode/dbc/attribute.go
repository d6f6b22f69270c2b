package dbc

import (
	"math"
	"strconv"
	"strings"
)

// definitionKey: one name may be defined for several kinds of object.
type definitionKey struct{ object, name string }

// entryKey finds the index of an entry of an ENUM.
type entryKey struct {
	definition *AttributeDefinition
	entry      string
}

// written is the value of an attribute as the file writes it.
type written struct {
	text   string
	quoted bool
	place  int
}

// readDefinition reads BA_DEF_ and BA_DEF_REL_.
func (p *parser) readDefinition(st statement, c *cursor) {
	d := &AttributeDefinition{Pos: p.position(st.start)}
	if c.peek() != '"' {
		place := c.here()
		d.Object = c.word("a kind of object")
		if !isObject(d.Object, st.kw) {
			c.fail(place, "%q is no kind of object", clip(d.Object))
		}
	}
	place := c.here()
	d.Name = c.quoted("the attribute's name")
	typePlace := c.here()
	switch d.Type = c.word("the attribute's type"); d.Type {
	case "INT", "HEX", "FLOAT":
		if c.more() && c.peek() != ';' {
			d.Min = c.float("the minimum")
			d.Max = c.float("the maximum")
		}
	case "STRING":
	case "ENUM":
		for c.more() && c.peek() != ';' {
			if !c.take(',') {
				d.Enum = append(d.Enum, c.quoted("an entry"))
			}
		}
	default:
		c.fail(typePlace, "%q is not INT, HEX, FLOAT, STRING or ENUM", clip(d.Type))
	}
	c.end()
	if c.failed() {
		return
	}
	key := definitionKey{d.Object, d.Name}
	if first := p.definitions[key]; first != nil {
		p.setAside(st, place,
			say("duplicate", "attribute %q is already defined on line %d", d.Name, first.Pos.Line).
				try("remove one of them"))
		return
	}
	for i, entry := range d.Enum {
		if _, twice := p.entries[entryKey{d, entry}]; !twice {
			p.entries[entryKey{d, entry}] = i
		}
	}
	p.definitions[key] = d
	p.db.Definitions = append(p.db.Definitions, d)
}

func isObject(word string, kw keyword) bool {
	switch word {
	case "BU_", "BO_", "SG_", "EV_":
		return kw == kwDefinition
	case "BU_BO_REL_", "BU_SG_REL_", "BU_EV_REL_":
		return kw == kwRelationDefinition
	}
	return false
}

// readDefault reads BA_DEF_DEF_ and BA_DEF_DEF_REL_, which give the name only:
// the default is that of every definition of that name.
func (p *parser) readDefault(st statement, c *cursor) {
	place := c.here()
	name := c.quoted("the attribute's name")
	w := readWritten(c)
	c.end()
	if c.failed() {
		return
	}
	objects := []string{"", "BU_", "BO_", "SG_", "EV_"}
	if st.kw == kwRelationDefault {
		objects = []string{"BU_BO_REL_", "BU_SG_REL_", "BU_EV_REL_"}
	}
	found := false
	for _, object := range objects {
		if d := p.definitions[definitionKey{object, name}]; d != nil {
			found = true
			if a, ok := p.value(st, d, w); ok {
				d.Default = &a
			}
		}
	}
	if !found {
		p.setAside(st, place,
			say("not-defined", "attribute %q is not defined", name).try("define it with BA_DEF_"))
	}
}

// readWritten reads a value: a string, a number or a bare word; nothing at all is an empty text.
func readWritten(c *cursor) written {
	first := c.peek()
	w := written{place: c.at, quoted: first == '"'}
	switch {
	case w.quoted:
		w.text = c.quoted("the value")
	case first != 0 && first != ';':
		w.text = c.word("a value")
	}
	return w
}

// value turns what the file writes into a value of the attribute's type. d is nil
// when the attribute is not defined: then the writing decides.
func (p *parser) value(st statement, d *AttributeDefinition, w written) (Attribute, bool) {
	a := Attribute{Text: w.text, Number: math.NaN()}
	kind := "STRING"
	switch {
	case d != nil:
		kind = d.Type
	case !w.quoted:
		kind = "FLOAT"
	}
	switch kind {
	case "STRING":
		return a, true
	case "ENUM":
		return p.enumValue(st, d, w)
	}
	number, err := parseFloat(w.text)
	if hex, isHex := strings.CutPrefix(w.text, "0x"); isHex {
		var v uint64
		v, err = strconv.ParseUint(hex, 16, 64)
		number = float64(v)
	}
	if err != nil || w.text == "" || math.IsInf(number, 0) {
		p.setAsideLine(st, w.place, say("value", "%q is not a number, or too large", w.text))
		return a, false
	}
	if d != nil && d.Min < d.Max && (number < d.Min || number > d.Max) {
		p.warn(w.place,
			say("attribute/range", "%g is outside the range of %q, %g to %g", number, d.Name, d.Min, d.Max))
	}
	a.Number = number
	return a, true
}

// enumValue accepts the name of an entry or its index.
func (p *parser) enumValue(st statement, d *AttributeDefinition, w written) (Attribute, bool) {
	if i, ok := p.entries[entryKey{d, w.text}]; ok && w.quoted {
		return Attribute{Text: w.text, Number: float64(i)}, true
	}
	i, err := strconv.ParseUint(w.text, 10, 31)
	switch {
	case err == nil && int(i) < len(d.Enum):
		return Attribute{Text: d.Enum[i], Number: float64(i)}, true
	case err == nil:
		p.setAsideLine(st, w.place,
			say("value", "index %d is beyond the %d entries of %q", i, len(d.Enum), d.Name))
		return Attribute{}, false
	case w.text == "":
		return Attribute{Number: math.NaN()}, true // written for "none"
	}
	p.setAsideLine(st, w.place, say("value", "%q is not an entry of %q", w.text, d.Name))
	return Attribute{}, false
}

// readAttribute reads BA_.
func (p *parser) readAttribute(st statement, c *cursor) {
	place := c.here()
	name := c.quoted("the attribute's name")
	t, ok := p.readTarget(st, c)
	if !ok {
		return
	}
	a, ok := p.readValueOf(st, c, definitionKey{t.object, name}, place)
	if !ok {
		return
	}
	switch {
	case t.signal != nil:
		p.set(st, &t.signal.Attributes, name, a)
	case t.message != nil:
		p.set(st, &t.message.Attributes, name, a)
	case t.node != nil:
		p.set(st, &t.node.Attributes, name, a)
	case t.object == "":
		p.set(st, &p.db.Attributes, name, a)
	}
}

// readValueOf reads the value that ends a BA_ or BA_REL_ statement.
func (p *parser) readValueOf(st statement, c *cursor, key definitionKey, place int) (Attribute, bool) {
	w := readWritten(c)
	c.end()
	if c.failed() {
		return Attribute{}, false
	}
	d := p.definitions[key]
	if d == nil && !p.undefined[key] {
		p.undefined[key] = true
		p.warn(place,
			say("attribute/not-defined", "attribute %q is not defined for this kind of object", key.name).
				try("define it with BA_DEF_"))
	}
	return p.value(st, d, w)
}

func (p *parser) set(st statement, to *Attributes, name string, a Attribute) {
	if *to == nil {
		*to = Attributes{}
	}
	if _, twice := (*to)[name]; twice {
		p.warn(st.start, say("attribute/twice", "attribute %q is given twice: the last is kept", name))
	}
	(*to)[name] = a
}

// readRelation reads BA_REL_: an attribute between a node and a message or signal.
func (p *parser) readRelation(st statement, c *cursor) {
	place := c.here()
	name := c.quoted("the attribute's name")
	kindPlace := c.here()
	kind := c.word("a kind of relation")
	if !c.failed() && !isObject(kind, kwRelationDefinition) {
		c.fail(kindPlace, "%q is no kind of relation", clip(kind))
	}
	n := p.readNodeOf(st, c)
	if n == nil {
		return
	}
	var to *map[string]Attributes
	switch kind {
	case "BU_BO_REL_":
		m := p.readMessageOf(st, c)
		if m == nil {
			return
		}
		to = &m.Relations
	case "BU_SG_REL_":
		if word := c.word("SG_"); word != "SG_" && !c.failed() {
			c.fail(c.at-len(word), "expected SG_, found %q", clip(word))
		}
		_, s := p.readSignalOf(st, c)
		if s == nil {
			return
		}
		to = &s.Relations
	case "BU_EV_REL_":
		if !p.readVariableOf(st, c) {
			return
		}
	}
	a, ok := p.readValueOf(st, c, definitionKey{kind, name}, place)
	if !ok || to == nil {
		return
	}
	if *to == nil {
		*to = map[string]Attributes{}
	}
	attributes := (*to)[n.Name]
	p.set(st, &attributes, name, a)
	(*to)[n.Name] = attributes
}
