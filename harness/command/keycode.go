package command

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"strings"

	"proveout/report/document"
	"proveout/report/seal/check"
)

// quietZone is the white around a QR code, in modules (ISO/IEC 18004, 9.1).
const quietZone = 4

// A modules is a QR code with its quiet zone: dark modules are true.
type modules [][]bool

// fingerprintCode is the QR code of a fingerprint: the word SHA-256 and the
// hexadecimal digits, as on certificates.
func fingerprintCode(fp check.Fingerprint) (modules, error) {
	n, bars, err := document.QRCode("SHA-256:" + strings.ToUpper(fp.Hex()))
	if err != nil {
		return nil, err
	}
	m := make(modules, n+2*quietZone)
	for y := range m {
		m[y] = make([]bool, len(m))
	}
	for _, bar := range bars {
		for x := range bar.Length {
			m[quietZone+bar.Y][quietZone+bar.X+x] = true
		}
	}
	return m, nil
}

// picture is the code as a PNG of black and white, for a sign or a web page.
func (m modules) picture() ([]byte, error) {
	const module = 12 // px
	n := len(m) * module
	img := image.NewPaletted(image.Rect(0, 0, n, n), color.Palette{color.White, color.Black})
	for i := range img.Pix {
		if m[i/n/module][i%n/module] {
			img.Pix[i] = 1
		}
	}
	var b bytes.Buffer
	err := png.Encode(&b, img)
	return b.Bytes(), err
}

// write draws the code on a terminal, two rows of modules in each line, black
// on white whatever the terminal's colours are (ECMA-48, 8.3.117).
func (m modules) write(w io.Writer) {
	const black, reset = "\x1b[38;5;16;48;5;231m", "\x1b[0m"
	for y := 0; y < len(m); y += 2 {
		var line strings.Builder
		for x := range m[y] {
			upper, lower := m[y][x], y+1 < len(m) && m[y+1][x]
			switch {
			case upper && lower:
				line.WriteRune('█')
			case upper:
				line.WriteRune('▀')
			case lower:
				line.WriteRune('▄')
			default:
				line.WriteByte(' ')
			}
		}
		fmt.Fprintf(w, "%s%s%s\n", black, line.String(), reset)
	}
}
