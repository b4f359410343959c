package command

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/plans/document"
	"proveout/scoring"
	"proveout/scoring/memory"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

func (c *Console) pictureSimulateCommand() *cli.Command {
	return &cli.Command{
		Name:  "simulate",
		Usage: "make a capture as a faulty card and a capture device would: a card to practise on",
		Description: "A fault is its kind and name=value words, such as\n" +
			"  --fault 'line-stuck-0 chip=U7 line=3'\n" +
			"Kinds: " + strings.Join(kindNames(), ", ") + ".\n" +
			"Names: bank, chip (designator, or number from 0), line, with (second line),\n" +
			"wired (and, or), address-line, value (0, 1: what a dead chip or lost bank shows),\n" +
			"rate (0 to 1), channel (red, green, blue), bit (7 is the highest), period and\n" +
			"amount (columns and levels of a stripe; pixels of displaced and geometry;\n" +
			"hundredths of a pixel of sampling, which beats with a period or else jitters),\n" +
			"shows (the picture that stays when frozen, such as ramp).\n" +
			"A photograph is --photo usual, or name=value words: pixels (camera pixels a\n" +
			"screen pixel), tilt=X,Y and roll (degrees), distortion, vignetting, slope, blur,\n" +
			"noise, exposure, black, quality.",
		Flags: []cli.Flag{shopFlag, familyFlag, variantFlag, baseFlag, outFlag, jsonFlag,
			&cli.StringFlag{Name: "pattern", Usage: "test picture with its mode, `NAME@MODE`, or a file", Required: true},
			&cli.StringSliceFlag{Name: "fault", Usage: "what is wrong: `'KIND name=value…'`, may be repeated"},
			&cli.StringFlag{Name: "noise", Usage: "noise of the capture device, `SD` in levels of 255", Value: "0"},
			&cli.StringFlag{Name: "gain", Usage: "gain, `G` or R,G,B", Value: "1"},
			&cli.StringFlag{Name: "offset", Usage: "offset in levels, `O` or R,G,B", Value: "0"},
			&cli.StringFlag{Name: "gamma", Usage: "`EXPONENT` on the levels", Value: "1"},
			&cli.StringFlag{Name: "shift", Usage: "shift right and down in capture pixels, `X,Y`", Value: "0,0"},
			&cli.StringFlag{Name: "scale", Usage: "capture `PIXELS` for each screen pixel", Value: "1"},
			&cli.StringFlag{Name: "blur", Usage: "blur across, `SD` in screen pixels", Value: "0"},
			&cli.StringFlag{Name: "size", Usage: "size of the capture, `WxH`; else the scaled screen"},
			&cli.StringFlag{Name: "photo", Usage: "photograph the monitor instead: `SETTINGS`"},
			&cli.Uint64Flag{Name: "seed", Usage: "`NUMBER` that the chance is drawn from", Value: 1}},
		Action: c.pictureSimulate,
	}
}

func kindNames() []string {
	var out []string
	for _, k := range simulate.Kinds() {
		out = append(out, string(k))
	}
	return out
}

func (c *Console) pictureSimulate(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
	if x.String("out") == "" {
		return errors.New("name the file to write: -o FILE.png, .bmp or .jpg")
	}
	f, err := c.readPattern(x.String("pattern"))
	if err != nil {
		return err
	}
	org, _, err := c.pictureMemory(x)
	if err != nil {
		return err
	}
	base, err := baseAddress(x.String("base"))
	if err != nil {
		return err
	}
	var faults []simulate.Fault
	for _, text := range x.StringSlice("fault") {
		one, err := parseFault(text, org)
		if err != nil {
			return fmt.Errorf("--fault: %w", err)
		}
		faults = append(faults, one)
	}
	var memoryOf memory.Organisation
	if org != nil {
		memoryOf = *org
	}
	screen, err := simulate.Card(f, memoryOf, base, faults, x.Uint64("seed"))
	if err != nil {
		return fmt.Errorf("--fault: %w", err)
	}
	p, err := captureScreen(x, screen)
	if err != nil {
		return err
	}
	if err := writePicture(p, c.path(x.String("out"))); err != nil {
		return err
	}
	if x.Bool("json") {
		return c.answer(map[string]any{"file": x.String("out"), "pattern": f.Pattern.Name(), "mode": scoring.ModeText(f.Mode), "width": p.Width, "height": p.Height, "faults": x.StringSlice("fault")})
	}
	what := "without a fault"
	if len(faults) > 0 {
		what = "with " + strings.Join(x.StringSlice("fault"), "; ")
	}
	fmt.Fprintf(c.Out, "Wrote %s, %d × %d: %s at %s, simulated %s.\n", x.String("out"), p.Width, p.Height, f.Pattern.Name(), scoring.ModeText(f.Mode), what)
	return nil
}

// captureScreen lets the capture device or the camera of the flags see a screen.
func captureScreen(x *cli.Context, screen *raster.RGB) (*raster.RGB, error) {
	if text := x.String("photo"); text != "" {
		for _, other := range []string{"noise", "gain", "offset", "gamma", "shift", "scale", "blur", "size"} {
			if x.IsSet(other) {
				return nil, fmt.Errorf("--%s is of a capture device; a photograph has its own settings in --photo", other)
			}
		}
		camera, err := parseCamera(text)
		if err != nil {
			return nil, fmt.Errorf("--photo: %w", err)
		}
		return simulate.Photo(screen, camera, x.Uint64("seed"))
	}
	d, err := parseDevice(x)
	if err != nil {
		return nil, err
	}
	if d.plain() {
		return screen, nil
	}
	return simulate.Capture(screen, d.Device, x.Uint64("seed"))
}

// A deviceSetting is a capture device as the flags give it.
type deviceSetting struct{ simulate.Device }

// plain reports whether the device changes nothing, so that the capture is the
// screen itself.
func (d deviceSetting) plain() bool {
	return d.Device == simulate.Device{Gain: [3]float64{1, 1, 1}, Gamma: 1, Scale: 1}
}

func parseDevice(x *cli.Context) (deviceSetting, error) {
	var d deviceSetting
	var errs []error
	take := func(flag string, count int, low, high float64) []float64 {
		v, err := decimals(x.String(flag), count, low, high)
		if err != nil {
			errs = append(errs, fmt.Errorf("--%s: %w", flag, err))
			return make([]float64, 3)
		}
		return v
	}
	d.Gain = [3]float64(take("gain", 3, 0.05, 4))
	d.Offset = [3]float64(take("offset", 3, -255, 255))
	d.Gamma = take("gamma", 1, 0.1, 10)[0]
	d.Noise = take("noise", 1, 0, 100)[0]
	d.Scale = take("scale", 1, 0.5, 4)[0]
	d.Blur = take("blur", 1, 0, 10)[0]
	shift := take("shift", 2, -2000, 2000)
	d.ShiftX, d.ShiftY = shift[0], shift[1]
	if size := x.String("size"); size != "" {
		w, h, ok := strings.Cut(size, "x")
		var err, err2 error
		d.Width, err = strconv.Atoi(w)
		d.Height, err2 = strconv.Atoi(h)
		if !ok || err != nil || err2 != nil || d.Width < 1 || d.Height < 1 || d.Width > 8192 || d.Height > 8192 {
			errs = append(errs, fmt.Errorf("--size: %q is not a size such as 800x600", size))
		}
	}
	return d, errors.Join(errs...)
}

// decimals reads count numbers parted by commas; of three, one stands for all.
func decimals(text string, count int, low, high float64) ([]float64, error) {
	words := strings.Split(text, ",")
	if count == 3 && len(words) == 1 {
		words = []string{words[0], words[0], words[0]}
	}
	if len(words) != count {
		return nil, fmt.Errorf("%q is not %d numbers parted by commas", text, count)
	}
	out := make([]float64, count)
	for i, w := range words {
		v, err := strconv.ParseFloat(strings.TrimSpace(w), 64)
		if err != nil || math.IsNaN(v) || v < low || v > high {
			return nil, fmt.Errorf("%q is not a number from %g to %g", w, low, high)
		}
		out[i] = v
	}
	return out, nil
}

// parseCamera reads the settings of --photo.
func parseCamera(text string) (simulate.Camera, error) {
	c := simulate.Camera{PixelsPerPixel: 4, TiltX: 5, TiltY: -4, Roll: 1, Distortion: 0.02, Vignetting: 0.25, Slope: 0.05, Blur: 0.8, Noise: 4, Exposure: 0.85, Black: 4, Quality: 90}
	if strings.TrimSpace(text) == "usual" {
		return c, nil
	}
	fields := map[string]*float64{"pixels": &c.PixelsPerPixel, "roll": &c.Roll, "distortion": &c.Distortion, "vignetting": &c.Vignetting, "slope": &c.Slope,
		"blur": &c.Blur, "noise": &c.Noise, "exposure": &c.Exposure, "black": &c.Black}
	ranges := map[string][2]float64{"pixels": {1, 12}, "roll": {-30, 30}, "distortion": {-0.3, 0.3}, "vignetting": {0, 0.9}, "slope": {-0.9, 0.9},
		"blur": {0, 10}, "noise": {0, 100}, "exposure": {0.05, 2}, "black": {0, 200}}
	for _, word := range strings.Fields(text) {
		name, value, ok := strings.Cut(word, "=")
		if !ok {
			return c, fmt.Errorf("%q is not name=value, nor \"usual\"", word)
		}
		switch name {
		case "tilt":
			v, err := decimals(value, 2, -40, 40)
			if err != nil {
				return c, fmt.Errorf("tilt: %w", err)
			}
			c.TiltX, c.TiltY = v[0], v[1]
		case "quality":
			v, err := decimals(value, 1, 0, 100)
			if err != nil {
				return c, fmt.Errorf("quality: %w", err)
			}
			c.Quality = int(v[0])
		default:
			into, ok := fields[name]
			if !ok {
				return c, fmt.Errorf("a photograph has no setting %q", name)
			}
			v, err := decimals(value, 1, ranges[name][0], ranges[name][1])
			if err != nil {
				return c, fmt.Errorf("%s: %w", name, err)
			}
			*into = v[0]
		}
	}
	return c, nil
}

// faultNeeds lists the words that each kind of fault takes: those it needs, and
// those it may have.
func faultNeeds(kind simulate.Kind) (needed, optional []string) {
	switch kind {
	case memory.LineStuck0, memory.LineStuck1, memory.LineOpen:
		return []string{"chip", "line"}, []string{"bank"}
	case memory.LinesShorted:
		return []string{"chip", "line", "with"}, []string{"bank", "wired"}
	case memory.LinesSwapped:
		return []string{"chip", "line", "with"}, []string{"bank"}
	case memory.ChipDead:
		return []string{"chip"}, []string{"bank", "value"}
	case memory.ChipWeak:
		return []string{"chip", "rate"}, []string{"bank"}
	case memory.AddressLine:
		return []string{"address-line"}, []string{"bank", "chip"}
	case memory.BankLost:
		return []string{"bank"}, []string{"value"}
	case simulate.ConverterBit:
		return []string{"channel", "bit"}, []string{"value"}
	case simulate.ChannelMissing, simulate.ChannelSwapped:
		return []string{"channel"}, nil
	case simulate.Displaced, simulate.Geometry:
		return []string{"amount"}, nil
	case simulate.Stripe:
		return []string{"period", "amount"}, nil
	case simulate.Noise:
		return []string{"rate"}, nil
	case simulate.Frozen:
		return nil, []string{"shows"}
	case simulate.Sampling:
		return []string{"amount"}, []string{"period"}
	}
	return nil, nil
}

// parseFault reads a fault: its kind and name=value words.
func parseFault(text string, org *memory.Organisation) (simulate.Fault, error) {
	words := strings.Fields(text)
	if len(words) == 0 {
		return simulate.Fault{}, errors.New("no kind; kinds: " + strings.Join(kindNames(), ", "))
	}
	ft := simulate.Fault{Kind: simulate.Kind(words[0])}
	if !slices.Contains(simulate.Kinds(), ft.Kind) {
		if near := document.Nearest(words[0], kindNames()); near != "" {
			return ft, fmt.Errorf("there is no fault %q; did you mean %q?", words[0], near)
		}
		return ft, fmt.Errorf("there is no fault %q; kinds: %s", words[0], strings.Join(kindNames(), ", "))
	}
	needed, optional := faultNeeds(ft.Kind)
	if slices.Contains(append(slices.Clone(needed), optional...), "bank") && org == nil {
		return ft, fmt.Errorf("%s is a fault of the memory: name the --family", ft.Kind)
	}
	if ft.Kind == memory.AddressLine {
		ft.Chip = -1
	}
	given := map[string]bool{}
	for _, word := range words[1:] {
		name, value, ok := strings.Cut(word, "=")
		if !ok {
			return ft, fmt.Errorf("%q is not name=value", word)
		}
		if !slices.Contains(needed, name) && !slices.Contains(optional, name) {
			return ft, fmt.Errorf("%s takes no %q; it takes %s", ft.Kind, name, strings.Join(append(slices.Clone(needed), optional...), ", "))
		}
		if given[name] {
			return ft, fmt.Errorf("%s stands twice", name)
		}
		given[name] = true
		if err := setFault(&ft, name, value, org, given); err != nil {
			return ft, err
		}
	}
	for _, n := range needed {
		if !given[n] {
			return ft, fmt.Errorf("%s needs %s=…", ft.Kind, n)
		}
	}
	return ft, nil
}

// setFault takes one name=value of a fault.
func setFault(ft *simulate.Fault, name, value string, org *memory.Organisation, given map[string]bool) error {
	whole := func(low, high int) (int, error) {
		n, err := strconv.Atoi(value)
		if err != nil || n < low || n > high {
			return 0, fmt.Errorf("%s=%s is not a whole number from %d to %d", name, value, low, high)
		}
		return n, nil
	}
	var err error
	switch name {
	case "bank":
		ft.Bank, err = whole(0, len(org.Banks)-1)
	case "chip":
		for b, bank := range org.Banks {
			for k, d := range bank.Designators {
				if strings.EqualFold(d, value) {
					ft.Chip = k
					if given["bank"] && ft.Bank != b {
						return fmt.Errorf("%s sits in bank %d", d, b)
					}
					ft.Bank = b
					return nil
				}
			}
		}
		if ft.Chip, err = whole(0, org.ChipsPerBank()-1); err != nil {
			return fmt.Errorf("the family has no chip %q: name a designator such as %s, or the place in its bank from 0", value, org.Banks[0].Designators[0])
		}
	case "line":
		ft.Line, err = whole(0, org.ChipBits-1)
	case "with":
		ft.Line2, err = whole(0, org.ChipBits-1)
	case "wired":
		switch value {
		case "and":
			ft.Wired = simulate.WiredAnd
		case "or":
			ft.Wired = simulate.WiredOr
		default:
			err = fmt.Errorf("wired=%s is neither and nor or", value)
		}
	case "address-line":
		ft.AddressLine, err = whole(0, max(0, org.AddressLines()-1))
	case "value":
		ft.Amount, err = whole(0, 1)
	case "rate":
		var v []float64
		if v, err = decimals(value, 1, 0, 1); err == nil {
			ft.Rate = v[0]
		}
	case "channel":
		if ft.Channel = slices.Index([]string{"red", "green", "blue"}, value); ft.Channel < 0 {
			err = fmt.Errorf("channel=%s is not red, green or blue", value)
		}
	case "bit":
		ft.Bit, err = whole(0, 7)
	case "period":
		ft.Period, err = whole(2, 4096)
	case "shows":
		ft.Shows = value
	case "amount":
		ft.Amount, err = whole(-8192, 8192)
	}
	return err
}
