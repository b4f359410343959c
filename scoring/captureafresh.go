//go:build !js

package scoring

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"proveout/harness/reading"
	"proveout/scoring/memory"
	"proveout/scoring/picture"
	"proveout/scoring/picture/align"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// captureLimits bound what a capture may ask for: 64 million pixels are more
// than any telephone's picture that the analysis needs.
var captureLimits = raster.Limits{Bytes: reading.MostPicture, Pixels: 64_000_000, Side: 16_384}

// ReadCapture reads a capture. A file called *.raw is a dump of the frame
// buffer, for which the mode must be known.
func ReadCapture(r io.Reader, name string, mode *pattern.Mode) (*raster.RGB, error) {
	if IsRaw(name) {
		if mode == nil {
			return nil, errors.New("a raw dump says nothing of its size: state its mode")
		}
		f, err := pattern.ReadDump(r, *mode)
		if err != nil {
			return nil, err
		}
		return f.RGB(), nil
	}
	p, _, err := raster.Decode(r, captureLimits)
	return p, err
}

// IsRaw reports whether a file of this name is a dump of the frame buffer.
func IsRaw(name string) bool { return strings.EqualFold(filepath.Ext(name), ".raw") }

// Identify tells which test picture is meant: the one that is stated, else the
// one that the capture's identification names. mode is nil when it is not
// stated. Where both are known and differ, that is an error.
func Identify(p *raster.RGB, name string, mode *pattern.Mode) (pattern.Pattern, error) {
	if name != "" && mode != nil {
		return pattern.ParseName(name, *mode)
	}
	found, err := align.Identify(p)
	switch {
	case err != nil && name != "":
		return found, fmt.Errorf("%w; state the mode too", err)
	case err != nil:
		return found, err
	case name != "" && !strings.EqualFold(name, found.Name()):
		return found, fmt.Errorf("it says that it shows %s at %s, not %s", found.Name(), found.Mode, name)
	case mode != nil && *mode != found.Mode:
		return found, fmt.Errorf("it says that it shows %s at %s, not at %s", found.Name(), found.Mode, *mode)
	}
	return found, nil
}

// RouteNamed returns the way a picture came in.
func RouteNamed(name string) (picture.Route, error) {
	switch strings.ToLower(name) {
	case "", "auto":
		return picture.Auto, nil
	case "digital":
		return picture.Digital, nil
	case "analogue":
		return picture.Analogue, nil
	case "photo", "photograph":
		return picture.Photograph, nil
	}
	return "", fmt.Errorf("%q is not a way a picture comes in: digital, analogue, photo or auto", name)
}

// afresh compares a capture with the pattern that it shows.
func (c *compared) afresh(files reading.Files, mode *pattern.Mode, org *memory.Organisation) error {
	stated := c.capture
	file, err := files.Open(stated.Evidence)
	if err != nil {
		return err
	}
	c.shown, err = ReadCapture(file, stated.Name, mode)
	file.Close()
	if err != nil {
		return err
	}
	if c.pattern, err = Identify(c.shown, stated.Pattern, mode); err != nil {
		return err
	}
	if c.mode == "" {
		c.mode = c.pattern.Mode.String()
	}
	frame, err := c.pattern.Render()
	if err != nil {
		return err
	}
	route, err := RouteNamed(stated.Route)
	if err != nil {
		return err
	}
	options := picture.Options{Memory: org, Base: stated.Base, Route: route}
	if c.result, err = picture.Compare(frame, c.shown, options); err != nil {
		return err
	}
	if data, err := c.result.Memo(); err == nil {
		files.Keep(stated.Evidence, captureKey(stated, org), data)
	}
	return nil
}
