package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"ebbwatch/agent/field"
)

// decodingJSON is one thing that registers can mean. Value is null for a text.
// Inside is absent without an expectation; factor is what brings a value outside
// inside: 0.1, 0.01 or 0.001.
type decodingJSON struct {
	Address   uint16   `json:"address"`
	Registers []string `json:"registers"`
	Type      string   `json:"type"`
	Order     string   `json:"order"`
	Value     *float64 `json:"value"`
	Text      string   `json:"text,omitempty"`
	Inside    *bool    `json:"inside,omitempty"`
	Factor    float64  `json:"factor,omitempty"`
}

// decodings lists what registers can mean, each value after scaling; single bits
// mean what they are.
func decodings(table field.Table, address uint16, data []byte, scale, offset float64, expected *expectation) []decodingJSON {
	all := []decodingJSON{}
	if table == field.Coil || table == field.DiscreteInput {
		return all
	}
	for _, d := range field.Decodings(address, data) {
		dj := decodingJSON{Address: d.Address, Registers: wordsOf(table, d.Data), Type: d.Type, Order: d.Order, Text: d.Text}
		if d.Type != "text" {
			v := d.Value*scale + offset
			if math.IsInf(v, 0) {
				continue
			}
			dj.Value = &v
		}
		if expected != nil && dj.Value != nil {
			f := expected.factor(d.Type, *dj.Value)
			dj.Inside = new(f == 1)
			if f != 1 {
				dj.Factor = f
			}
		}
		all = append(all, dj)
	}
	return all
}

// String is the value with as many digits as its type has, or the text.
func (d decodingJSON) String() string {
	if d.Value == nil {
		return strconv.Quote(d.Text)
	}
	return digits(d.Type, *d.Value)
}

// scale is what brings the value inside.
func (d decodingJSON) scale() float64 { return cmp.Or(d.Factor, 1) }

// The orders of bytes, as field.Decode has them.
var orders = []string{"ABCD", "CDAB", "BADC", "DCBA"}

// likely ranks what instruments use often, lower, before what they use seldom.
// Common practice, no source.
func likely(d decodingJSON, scale float64) int {
	types := []string{"float32", "uint16", "int16", "uint32", "int32", "float64", "bcd16", "bcd32", "uint64", "int64"}
	rank := 4*slices.Index(types, d.Type) + slices.Index(orders, d.Order)
	if *d.Value == 0 {
		rank += 1000
	}
	if scale != 1 {
		rank += 2000
	}
	return rank
}

// showDecodings prints a table of all decodings, a column for each order.
func showDecodings(w io.Writer, all []decodingJSON, expected *expectation) error {
	if len(all) == 0 {
		return nil
	}
	fmt.Fprint(w, "\nWhat they can mean, in each order of the bytes")
	if expected != nil {
		fmt.Fprintf(w, ", * inside %v", expected)
	}
	fmt.Fprintln(w, ":")
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "FROM\tTYPE\t"+strings.Join(orders, "\t"))
	for len(all) > 0 {
		d := all[0]
		var cells [4]string
		n := 0
		for ; n < len(all) && all[n].Address == d.Address && all[n].Type == d.Type; n++ {
			cell := all[n].String()
			if all[n].Inside != nil && *all[n].Inside {
				cell += " *"
			}
			cells[slices.Index(orders, all[n].Order)] = cell
		}
		fmt.Fprintf(tw, "%d\t%s\t%s\n", d.Address, d.Type, strings.Join(cells[:], "\t"))
		all = all[n:]
	}
	return tw.Flush()
}

// showExpected prints what is as expected, the likely first, so that it stands
// where a person looks last.
func showExpected(w io.Writer, all []decodingJSON, expected *expectation) error {
	if expected == nil {
		return nil
	}
	fits := slices.DeleteFunc(slices.Clone(all), func(d decodingJSON) bool { return d.Inside == nil || !*d.Inside && d.Factor == 0 })
	if len(fits) == 0 {
		fmt.Fprintf(w, "\nNothing here is inside %v, nor a tenth, hundredth or thousandth of it.\n"+
			"Try the addresses beside, the other table, the unit that the display shows, and a\nrange in place of a number if the value moves.\n", expected)
		return nil
	}
	slices.SortStableFunc(fits, func(a, b decodingJSON) int { return cmp.Compare(likely(a, a.scale()), likely(b, b.scale())) })
	fmt.Fprintf(w, "\nInside %v, the likely first:\n", expected)
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "FROM\tREGISTERS\tTYPE\tORDER\tSCALE\tVALUE")
	for _, d := range fits {
		fmt.Fprintf(tw, "%d\t%s\t%s\t%s\t%g\t%s\n", d.Address, strings.Join(d.Registers, " "), d.Type, d.Order, d.scale(), digits(d.Type, *d.Value*d.scale()))
	}
	if err := tw.Flush(); err != nil || len(fits) == 1 {
		return err
	}
	_, err := fmt.Fprintln(w, "Some fit by chance: let the value change, with --repeat, and compare with the display.")
	return err
}

// showRegisters prints each register as people may know it from a manual.
func showRegisters(w io.Writer, table field.Table, address uint16, data []byte) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	words := wordsOf(table, data)
	if table == field.Coil || table == field.DiscreteInput {
		fmt.Fprintln(tw, "ADDRESS\tSTATE")
		for i, word := range words {
			fmt.Fprintf(tw, "%d\t%s\n", int(address)+i, word)
		}
		return tw.Flush()
	}
	fmt.Fprintln(tw, "ADDRESS\tAS IT ARRIVED\tDECIMAL\tCHARACTERS\tBITS SET")
	for i, word := range words {
		high, low := data[2*i], data[2*i+1]
		n := int(high)<<8 | int(low)
		var bits []string
		for bit := 15; bit >= 0; bit-- {
			if n>>bit&1 == 1 {
				bits = append(bits, strconv.Itoa(bit))
			}
		}
		fmt.Fprintf(tw, "%d\t%s\t%d\t%s\t%s\n", int(address)+i, word, n, character(high)+character(low), strings.Join(bits, " "))
	}
	return tw.Flush()
}

func character(b byte) string {
	if b < ' ' || b > '~' {
		return "."
	}
	return string(rune(b))
}

// wordsOf writes the data of a table as it arrived: registers in hexadecimal,
// single bits as they are.
func wordsOf(table field.Table, data []byte) []string {
	words := []string{}
	if table == field.Coil || table == field.DiscreteInput {
		for _, bit := range data {
			words = append(words, strconv.Itoa(int(bit)))
		}
		return words
	}
	for i := 0; i+2 <= len(data); i += 2 {
		words = append(words, fmt.Sprintf("0x%02X%02X", data[i], data[i+1]))
	}
	return words
}

// digits shows as many as a type has.
func digits(kind string, v float64) string {
	n := 12
	if kind == "float32" {
		n = 7
	}
	return strconv.FormatFloat(v, 'g', n, 64)
}
