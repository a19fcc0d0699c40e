#include <stdint.h>

// The format as a parameter: interleaved stereo float32. The words are those of spa/param/format.h and spa/pod/pod.h.
#define CW_RATE_WORD 26
static const uint32_t cw_format[] = {
	0xa0, 0xf,             // an object of 160 bytes
	0x40003, 3,            // format, one that is offered
	1, 0, 4, 3, 1, 0,      // media type: audio
	2, 0, 4, 3, 1, 0,      // media subtype: raw
	0x10001, 0, 4, 3, 0x11b, 0, // sample format: float32, little-endian
	0x10003, 0, 4, 4, 0, 0,     // rate
	0x10004, 0, 4, 4, 2, 0,     // channels
	0x10005, 0, 16, 13, 4, 3, 3, 4, // positions: front left, front right
};
