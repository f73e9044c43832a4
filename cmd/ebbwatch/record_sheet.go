package main

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"html"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"ebbwatch/agent/record"
)

// sheet is what people read, on a terminal or on paper.
type sheet struct {
	Title  string
	Lines  []string
	Tables []table
	// After are lines at the end, Sign whether it is to be signed.
	After []string
	Sign  bool
}

type table struct {
	Title string
	Head  []string
	Rows  [][]string
}

// add leaves out a table without rows.
func (s *sheet) add(t table) {
	if len(t.Rows) > 0 {
		s.Tables = append(s.Tables, t)
	}
}

// signature is left blank for the person who answers for the report.
const signature = "Signed: ______________________   Name, licence: ______________________   Date: ______________"

func (s *sheet) text(w io.Writer) error {
	fmt.Fprintf(w, "%s\n", s.Title)
	for _, l := range s.Lines {
		fmt.Fprintln(w, l)
	}
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, t := range s.Tables {
		fmt.Fprintf(tw, "\n%s\n%s\n", t.Title, strings.Join(t.Head, "\t"))
		for _, r := range t.Rows {
			fmt.Fprintln(tw, strings.Join(r, "\t"))
		}
		if err := tw.Flush(); err != nil {
			return err
		}
	}
	if len(s.After) > 0 {
		fmt.Fprintln(w)
	}
	for _, l := range s.After {
		fmt.Fprintln(w, l)
	}
	if s.Sign {
		fmt.Fprintf(w, "\n%s\n", signature)
	}
	return nil
}

//go:embed record.html
var recordHTML string

// html writes the sheet for a browser to print. All text stands between tags.
// Package html/template would make the program larger by a seventh: it keeps every
// method of every type.
func (s *sheet) html(w io.Writer) error {
	var b strings.Builder
	text := html.EscapeString
	b.WriteString(strings.ReplaceAll(recordHTML, "{{.Title}}", text(s.Title)))
	for _, l := range s.Lines {
		b.WriteString("<p>" + text(l) + "</p>\n")
	}
	for _, t := range s.Tables {
		b.WriteString("<h2>" + text(t.Title) + "</h2>\n<table>\n<thead><tr>")
		for _, h := range t.Head {
			b.WriteString(`<th scope="col">` + text(h) + "</th>")
		}
		b.WriteString("</tr></thead>\n<tbody>\n")
		for _, r := range t.Rows {
			b.WriteString("<tr>")
			for _, cell := range r {
				b.WriteString("<td>" + text(cell) + "</td>")
			}
			b.WriteString("</tr>\n")
		}
		b.WriteString("</tbody>\n</table>\n")
	}
	for _, l := range s.After {
		b.WriteString("<p>" + text(l) + "</p>\n")
	}
	if s.Sign {
		b.WriteString(`<p class="sign">` + text(signature) + "</p>\n")
	}
	b.WriteString("</html>\n")
	_, err := io.WriteString(w, b.String())
	return err
}

// writeDays prints days as CSV, a line for each item.
func writeDays(w io.Writer, days []record.Entered, zone *time.Location) error {
	c := csv.NewWriter(w)
	_ = c.Write([]string{"date", "item", "value", "unit", "at", "covered", "detail", "recorded", "corrected_by", "corrected_at", "corrected_why"})
	for i := range days {
		d := &days[i]
		for j := range d.Items {
			it, by := d.Holds(d.Items[j].Name)
			row := []string{d.Date, it.Name, exact(it.Value), it.Unit, rfc(it.At, zone), strconv.FormatFloat(it.Covered, 'f', 4, 64), it.Detail, "", "", "", ""}
			if by != nil {
				row[7], row[8], row[9], row[10] = exact(d.Items[j].Value), by.By, rfc(by.Time, zone), by.Why
			}
			_ = c.Write(row) // Flush tells of an error
		}
	}
	c.Flush()
	return c.Error()
}

func exact(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'g', -1, 64)
}

func rfc(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	return t.In(zone).Format(time.RFC3339)
}

// amount shows the value of an item, with a star when it was corrected.
func amount(it *record.Item, corrected bool) string {
	star := ""
	if corrected {
		star = "*"
	}
	if it == nil || it.Value == nil {
		return "not known" + star
	}
	return short(*it.Value) + star
}

// short shows four digits.
func short(v float64) string {
	if math.Abs(v) >= 1000 {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	return strconv.FormatFloat(v, 'g', 4, 64)
}

func unit(symbol string) string {
	if symbol == "1" {
		return ""
	}
	return symbol
}

func percent(share float64) string {
	// Not all is never shown as all, and not nothing never as nothing.
	p := 100 * share
	switch {
	case p > 99.9 && p < 100:
		p = 99.9
	case p < 0.1 && p > 0:
		p = 0.1
	}
	return strconv.FormatFloat(p, 'f', 1, 64) + " %"
}
