package command

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/workflow"
	"proveout/scoring/memory"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

// A simulation is what picture simulate is asked for: faults of the card, and
// what looks at its screen.
type simulation struct {
	base   int64 // of the picture in the memory
	faults []string
	device simulate.Device
	camera *simulate.Camera
	seed   uint64
}

func (c *Console) pictureSimulateCommand() *cli.Command {
	s := &simulation{}
	fault := func(text string) error {
		s.faults = append(s.faults, text)
		return nil
	}
	photo := func(text string) error {
		camera, err := simulate.ParseCamera(text)
		s.camera = &camera
		return err
	}
	return &cli.Command{
		Name:  "simulate",
		Usage: "make a capture as a faulty card and a capture device would: a card to practise on",
		Description: "A fault is its kind and name=value words, such as\n" +
			"  --fault 'line-stuck-0 chip=U7 line=3'\n" +
			"Kinds: " + strings.Join(simulate.Kinds(), ", ") + ".\n" +
			"Names: bank, chip (designator, or number from 0), line, with (second line),\n" +
			"wired (and, or), address-line, value (0, 1: what a dead chip or lost bank shows),\n" +
			"rate (0 to 1), channel (red, green, blue), bit (7 is the highest), period and\n" +
			"amount (columns and levels of a stripe; pixels of displaced and geometry;\n" +
			"hundredths of a pixel of sampling, which beats with a period or else jitters),\n" +
			"shows (the picture that stays when frozen, such as ramp).\n" +
			"A photograph is --photo usual, or name=value words: pixels (camera pixels a\n" +
			"screen pixel), tilt=X,Y and roll (degrees), distortion, vignetting, slope, blur,\n" +
			"noise, exposure, black, quality.",
		Flags: slices.Concat([]cli.Flag{shopFlag, familyFlag, variantFlag, baseFlag(&s.base), outFlag, jsonFlag,
			neededFlag("pattern", "test picture with its mode, `NAME@MODE`, or a file"),
			typedListFlag("fault", "what is wrong: `'KIND name=value…'`, may be repeated", fault),
		}, s.deviceFlags(), []cli.Flag{
			typedFlag("photo", "photograph the monitor instead: `SETTINGS`", photo),
			&cli.Uint64Flag{Name: "seed", Usage: "`NUMBER` that the chance is drawn from", Value: 1, Destination: &s.seed},
		}),
		Action: func(x *cli.Context) error { return c.pictureSimulate(x, s) },
	}
}

// deviceFlags are the flags of a capture device.
func (s *simulation) deviceFlags() []cli.Flag {
	d := &s.device
	numbers := func(name, usage, usual string, low, high float64, to ...*float64) *typed {
		return typedFlag(name, usage, func(text string) error {
			values, err := simulate.Numbers(text, len(to), low, high)
			for i, v := range values {
				*to[i] = v
			}
			return err
		}).or(usual)
	}
	channels := func(c *[3]float64) []*float64 { return []*float64{&c[0], &c[1], &c[2]} }
	size := func(text string) error {
		w, h, ok := strings.Cut(text, "x")
		var errW, errH error
		d.Width, errW = strconv.Atoi(w)
		d.Height, errH = strconv.Atoi(h)
		inside := d.Width >= 1 && d.Height >= 1 && d.Width <= 8192 && d.Height <= 8192
		if !ok || errW != nil || errH != nil || !inside {
			return fmt.Errorf("%q is not a size such as 800x600", text)
		}
		return nil
	}
	return []cli.Flag{
		numbers("noise", "noise of the capture device, `SD` in levels of 255", "0", 0, 100, &d.Noise),
		numbers("gain", "gain, `G` or R,G,B", "1", 0.05, 4, channels(&d.Gain)...),
		numbers("offset", "offset in levels, `O` or R,G,B", "0", -255, 255, channels(&d.Offset)...),
		numbers("gamma", "`EXPONENT` on the levels", "1", 0.1, 10, &d.Gamma),
		numbers("shift", "shift right and down in capture pixels, `X,Y`", "0,0", -2000, 2000, &d.ShiftX, &d.ShiftY),
		numbers("scale", "capture `PIXELS` for each screen pixel", "1", 0.5, 4, &d.Scale),
		numbers("blur", "blur across, `SD` in screen pixels", "0", 0, 10, &d.Blur),
		typedFlag("size", "size of the capture, `WxH`; else the scaled screen", size),
	}
}

func (c *Console) pictureSimulate(x *cli.Context, s *simulation) error {
	out := x.String("out")
	if out == "" {
		return errors.New("name the file to write: -o FILE.png, .bmp or .jpg")
	}
	f, err := workflow.ShownPicture(x.String("pattern"), c.path)
	if err != nil {
		return fmt.Errorf("--pattern: %w", err)
	}
	org, err := c.memoryShown(x)
	if err != nil {
		return err
	}
	var faults []simulate.Fault
	for _, text := range s.faults {
		one, err := simulate.ParseFault(text, org)
		if err != nil {
			return fmt.Errorf("--fault: %w", err)
		}
		faults = append(faults, one)
	}
	if org == nil {
		org = &memory.Organisation{}
	}
	screen, err := simulate.Card(f, *org, s.base, faults, s.seed)
	if err != nil {
		return fmt.Errorf("--fault: %w", err)
	}
	p, err := s.look(x, screen)
	if err != nil {
		return err
	}
	if err := workflow.WritePicture(p.Image(), c.path(out)); err != nil {
		return err
	}
	answer := map[string]any{
		"file": out, "pattern": f.Pattern.Name(), "mode": f.Mode.String(),
		"width": p.Width, "height": p.Height, "faults": s.faults,
	}
	return c.give(x, answer, true, func(to *printer) {
		what := "without a fault"
		if len(faults) > 0 {
			what = "with " + strings.Join(s.faults, "; ")
		}
		to.line(fmt.Sprintf("Wrote %s, %d × %d: %s at %s, simulated %s.",
			out, p.Width, p.Height, f.Pattern.Name(), f.Mode, what))
	})
}

// look lets the capture device or the camera see a screen.
func (s *simulation) look(x *cli.Context, screen *raster.RGB) (*raster.RGB, error) {
	if s.camera == nil {
		unchanging := simulate.Device{Gain: [3]float64{1, 1, 1}, Gamma: 1, Scale: 1}
		if s.device == unchanging {
			return screen, nil // the capture is the screen itself
		}
		return simulate.Capture(screen, s.device, s.seed)
	}
	for _, f := range s.deviceFlags() {
		if name := f.Names()[0]; x.IsSet(name) {
			return nil, fmt.Errorf("--%s is of a capture device; a photograph has its own settings in --photo", name)
		}
	}
	return simulate.Photo(screen, *s.camera, s.seed)
}
