package config

// Settings is what settings.toml holds, defaults filled in.
type Settings struct {
	Reference string       `key:"reference" check:"name"` // cushion whose sound is wanted; "" = none named
	Notify    bool         `key:"notify"`                 // desktop notes when the cushion or bypass changes
	Sound     Sound        `key:"sound"`
	Guard     Guard        `key:"guard"`
	Bypass    Bypass       `key:"bypass"`
	Keys      Keys         `key:"keys"`
	Rig       Rig          `key:"rig"`
	Page      PageSettings `key:"page"`
}

// Sound says which devices play and how much delay is added.
type Sound struct {
	Output        string `key:"output" check:"text"`  // device ID; "" = the one that is default at start
	Capture       string `key:"capture" check:"text"` // device ID; "" = our own virtual sink
	Follow        bool   `key:"follow"`               // go along when another output is chosen in the desktop
	Delay         string `key:"delay" one:"low|normal|safe"`
	CaptureFrames int    `key:"capture_frames" min:"16" max:"16384" zero:"automatic"`
	OutputFrames  int    `key:"output_frames" min:"16" max:"16384" zero:"automatic"`
	Driver        string `key:"driver" one:"|malgo"` // "" = automatic
	ShareLevel    bool   `key:"share_level"`         // all cushions are equally loud
}

// Guard is the look-ahead limiter behind the chain.
type Guard struct {
	Enabled   bool    `key:"enabled"`
	CeilingDB float64 `key:"ceiling_db" min:"-20" max:"0" unit:"dB"` // highest level let through, dB of full scale
}

// Bypass says how loudness is matched while the chain is out.
type Bypass struct {
	Match string `key:"match" one:"programme|pink|off"`
}

// Keys are the global key combinations; the zero combination is no key.
type Keys struct {
	Bypass          string `key:"bypass" check:"key"`
	NextCushion     string `key:"next_cushion" check:"key"`
	PreviousCushion string `key:"previous_cushion" check:"key"`
	Panic           string `key:"panic" check:"key"`
}

// Rig is the measuring rig.
type Rig struct {
	Input        string  `key:"input" check:"text"`  // device ID of the rig's microphone input
	Output       string  `key:"output" check:"text"` // device ID that the headphones hang on
	SweepLevelDB float64 `key:"sweep_level_db" min:"-80" max:"0" unit:"dB"`
	MaxLevelDB   float64 `key:"max_level_db" min:"-80" max:"0" unit:"dB"`
	Calibration  string  `key:"calibration" check:"text"` // file of freq_hz, level_db; relative to the bench folder
	Name         string  `key:"name" check:"text"`        // what new seats say of the rig
	Headphone    string  `key:"headphone" check:"text"`   // and of the headphone that the cushions are on
}

// PageSettings is the local page.
type PageSettings struct {
	Port int `key:"port" min:"1024" max:"65535" zero:"any free port"`
}

// DefaultSettings returns what holds without a settings.toml.
func DefaultSettings() Settings {
	return Settings{
		Notify: true,
		Sound:  Sound{Follow: true, Delay: "normal", ShareLevel: true},
		Guard:  Guard{Enabled: true, CeilingDB: -1},
		Bypass: Bypass{Match: "pink"},
		Rig:    Rig{SweepLevelDB: -30, MaxLevelDB: -12},
	}
}

// DefaultSettingsTOML is the commented file that a new bench gets. Every key is there, commented out with its default.
const DefaultSettingsTOML = `# Settings of this bench. Every key is optional; a line that begins with # is a comment.
# What stands commented out here is the default. The file is read again whenever it is saved; a mistake
# changes nothing and is named with its line in the log, in "status" and by "check".

# The cushion whose sound is wanted: a name from cushions/.
# reference = "woven"

# Show a desktop note when the cushion or the bypass changes.
# notify = true

[sound]
# The output that the corrected sound goes to; "devices" lists what can stand here. "" takes the default output.
# output = ""
# The device that is captured. "" makes a virtual sink and captures that.
# capture = ""
# Go along when another output is chosen in the desktop; false holds on to the output.
# follow = true
# Delay against safety from breaks: "low" for games and video calls on an idle machine; "normal" begins low, takes more
# after a break and less again when it was calm for ten minutes; "safe" for a busy machine.
# delay = "normal"
# Frames per period of the capture and in the output's buffer, 16 to 16384; 0 leaves them to the delay.
# capture_frames = 0
# output_frames = 0
# The device layer: "" chooses, "malgo" forces that one, which adds some 40 ms on a sound server.
# driver = ""
# All cushions, corrected or not, and bypass play equally loud, so that a swap makes no jump: at the level of the
# correction that needs the most headroom. false plays each at its own level. That is louder for those that need
# less, but a swap, an edit or a deleted correction then changes the loudness, down at once and up at 6 dB/s.
# share_level = true

[guard]
# The guard is a look-ahead limiter that keeps the output below the ceiling. Leave it on.
# enabled = true
# Ceiling in dB of full scale, -20 to 0.
# ceiling_db = -1.0

[bypass]
# How bypass matches loudness: "pink" by the level of pink noise, "programme" by what plays, "off" not at all.
# match = "pink"

[keys]
# Global keys, such as "ctrl+alt+b": modifiers ctrl, alt, shift, super, then one key. "" is no key.
# bypass = ""
# next_cushion = ""
# previous_cushion = ""
# panic = ""

[rig]
# The measuring rig: its input, and the output that the headphones hang on.
# input = ""
# output = ""
# Level of the sweep and the level it must never exceed, dB of full scale. Take the headphones off before a sweep.
# sweep_level_db = -30.0
# max_level_db = -12.0
# The microphone's calibration file (frequency in Hz, level in dB), relative to this folder.
# calibration = ""
# What the seats that you measure say of the rig and of the headphone, so that seats of two rigs or two headphones are
# not set against each other by mistake.
# name = ""
# headphone = ""

[page]
# Port of the local page on this computer alone, 1024 to 65535; 0 takes any free one.
# port = 0
`
