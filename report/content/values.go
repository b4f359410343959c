package content

import "strings"

// Values returns what a reader looks for on the pages of a document that
// another version of the program may have laid out: its number, the SHA-256 of
// its record, what ties it to the card, the verdicts on its front, and each
// measured value with its limits. Another version may translate sentences and
// titles otherwise: of a document that is not English the verdicts, numbers and
// hashes are looked for, but no words that were said in English first.
func Values(c *Content) []string {
	front := &c.Front
	out := []string{
		c.Record, c.Number, front.Card, front.Headline, front.ShopName, strings.Join(front.Check.Fingerprint, " "),
	}
	for _, f := range front.Identity {
		out = append(out, f.Text)
	}
	translated := c.Language != "en"
	for _, t := range front.Tested {
		if !translated {
			out = append(out, t.Title)
		}
		out = append(out, t.Word)
	}
	for _, s := range c.Sections {
		for _, b := range s.Blocks {
			switch b := b.(type) {
			case *Table:
				if b.ID != "results" && b.ID != "evidence" {
					continue
				}
				for _, r := range b.Rows {
					for _, cell := range r.Cells {
						if !translated || cell.Verdict != nil || cell.Code || cell.Number {
							out = append(out, cell.Text)
						}
					}
				}
			case Photos:
				for _, p := range b.Photos {
					if translated {
						continue // their kind is translated
					}
					out = append(out, p.Caption)
				}
			}
		}
	}
	return printable(out)
}

// printable leaves out what stands on pages in another form: characters that
// may not be drawable, and texts without a letter or digit.
func printable(texts []string) []string {
	var out []string
	for _, t := range texts {
		plain, says := true, false
		for _, r := range t {
			plain = plain && (r >= ' ' && r < 0x250 || r == '–' || r == '’' || r == '±' || r == '°')
			says = says || r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z'
		}
		if plain && says {
			out = append(out, t)
		}
	}
	return out
}
