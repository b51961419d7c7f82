// From reset to setup() and loop(). The image lies in flash without the boot ROM's second stage.
#include <stdint.h>

extern "C" {
extern uint32_t _stack_top, _data_begin, _data_end, _data_image, _bss_begin, _bss_end;
extern void (*_constructors_begin[])(), (*_constructors_end[])();
void reset_handler();
void hang();
}
void clocks_begin();
void setup();
void loop();

__attribute__((section(".vectors"), used)) static void (*const vectors[16])() = {
    (void (*)())&_stack_top, reset_handler, hang, hang, hang, hang, hang, hang, hang, hang, hang, hang,
    hang, hang, hang, hang,
};

void hang() {
  for (;;) {
  }
}

void reset_handler() {
  const uint32_t *from = &_data_image;
  for (uint32_t *to = &_data_begin; to < &_data_end;) *to++ = *from++;
  for (uint32_t *to = &_bss_begin; to < &_bss_end;) *to++ = 0;
  clocks_begin();
  for (void (**constructor)() = _constructors_begin; constructor < _constructors_end;) (*constructor++)();
  setup();
  for (;;) loop();
}
