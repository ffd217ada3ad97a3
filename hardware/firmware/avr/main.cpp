// For avr-gcc alone; the sketch environment brings its own.
void setup();
void loop();

int main() {
  setup();
  for (;;) loop();
}
