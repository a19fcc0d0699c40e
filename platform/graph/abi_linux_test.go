//go:build cgo

package graph

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// What pipewire_linux.h repeats of the library's interface is compared with the headers of the installed version by the
// C compiler. Source: libpipewire-0.3-dev (pipewire/stream.h, spa/buffer/buffer.h, spa/utils/hook.h,
// spa/param/audio/format-utils.h).
func TestPipeWireDeclarations(t *testing.T) {
	if why := Missing(); why != "" {
		t.Fatalf("the library cannot be used: %s", why)
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "abi.c")
	if err := os.WriteFile(file, []byte(abiProgram), 0o600); err != nil {
		t.Fatal(err)
	}
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	exe := filepath.Join(dir, "abi")
	out, err := exec.Command("gcc", "-Wall", "-Werror", "-Wno-pedantic", "-I/usr/include/pipewire-0.3", "-I/usr/include/spa-0.2", "-D_REENTRANT",
		"-I"+here, "-o", exe, file).CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if out, err := exec.Command(exe).CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, out)
	}
}

const abiProgram = `
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#include <pipewire/stream.h>
#include <pipewire/version.h>
#include <spa/param/audio/format-utils.h>
#include "pipewire_linux.h"

#define SAME(ours, f, theirs, g) _Static_assert(offsetof(struct ours, f) == offsetof(struct theirs, g), #ours "." #f)
#define SIZE(ours, theirs) _Static_assert(sizeof(struct ours) == sizeof(struct theirs), #ours)

SIZE(cw_chunk, spa_chunk);
SAME(cw_chunk, offset, spa_chunk, offset);
SAME(cw_chunk, size, spa_chunk, size);
SAME(cw_chunk, stride, spa_chunk, stride);
SIZE(cw_data, spa_data);
SAME(cw_data, maxsize, spa_data, maxsize);
SAME(cw_data, data, spa_data, data);
SAME(cw_data, chunk, spa_data, chunk);
SIZE(cw_buffer, spa_buffer);
SAME(cw_buffer, datas, spa_buffer, datas);
SAME(cw_pw_buffer, buffer, pw_buffer, buffer);
SAME(cw_pw_buffer, size, pw_buffer, size);
SAME(cw_pw_buffer, requested, pw_buffer, requested);
SIZE(cw_dict, spa_dict);
SIZE(cw_dict_item, spa_dict_item);
SAME(cw_dict, items, spa_dict, items);
SAME(cw_dict_item, value, spa_dict_item, value);
SIZE(cw_hook, spa_hook);
SAME(cw_time, now, pw_time, now);
SAME(cw_time, rate_num, pw_time, rate.num);
SAME(cw_time, rate_denom, pw_time, rate.denom);
SAME(cw_time, ticks, pw_time, ticks);
_Static_assert(sizeof(struct cw_time) >= sizeof(struct pw_time), "cw_time");
SAME(cw_stream_events, state_changed, pw_stream_events, state_changed);
SAME(cw_stream_events, process, pw_stream_events, process);
SAME(cw_stream_events, trigger_done, pw_stream_events, trigger_done);
_Static_assert(PW_DIRECTION_INPUT == 0 && PW_DIRECTION_OUTPUT == 1, "direction");
_Static_assert(PW_STREAM_FLAG_AUTOCONNECT == 1 << 0 && PW_STREAM_FLAG_MAP_BUFFERS == 1 << 2 && PW_STREAM_FLAG_RT_PROCESS == 1 << 4, "flags");
_Static_assert(PW_STREAM_FLAG_TRIGGER == 1 << 9, "trigger");
_Static_assert(__builtin_types_compatible_p(__typeof__(&pw_stream_trigger_process), int (*)(struct pw_stream *)), "trigger_process");
_Static_assert(__builtin_types_compatible_p(__typeof__(&pw_get_library_version), const char *(*)(void)), "version");
_Static_assert(PW_STREAM_STATE_ERROR == -1 && PW_STREAM_STATE_UNCONNECTED == 0, "states");
_Static_assert(PW_ID_ANY == 0xffffffff, "any");

` + "#include \"pipewire_format.h\"" + `

int main(void) {
	uint8_t buf[1024];
	struct spa_pod_builder b = SPA_POD_BUILDER_INIT(buf, sizeof buf);
	struct spa_audio_info_raw info = {.format = SPA_AUDIO_FORMAT_F32_LE, .rate = 48000, .channels = 2,
		.position = {SPA_AUDIO_CHANNEL_FL, SPA_AUDIO_CHANNEL_FR}};
	struct spa_pod *p = spa_format_audio_raw_build(&b, SPA_PARAM_EnumFormat, &info);
	uint32_t pod[sizeof cw_format / sizeof cw_format[0]];
	memcpy(pod, cw_format, sizeof pod);
	pod[CW_RATE_WORD] = 48000;
	if (SPA_POD_SIZE(p) != sizeof pod || memcmp(p, pod, sizeof pod) != 0) {
		printf("the format parameter differs\n");
		return 1;
	}
	return 0;
}
`
