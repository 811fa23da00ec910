// The addon's C++ part alone, without Node, for tools such as valgrind: check ROUNDS PORT…
//
// One thread for each port; every round opens the camera there, reads settings and frames, photographs, closes.
// A last thread lists cameras meanwhile. Exit status 1 when a call fails.
#include <atomic>
#include <cstdio>
#include <cstdlib>
#include <thread>
#include <vector>

#include "src/gphoto.hpp"

static std::atomic<int> failures = 0;

static void rounds(int count, const char* port) {
  const std::atomic<bool> cancelled = false;
  for (int round = 0; round < count; round++) try {
      gphoto::Session camera(port, std::string(port).rfind("ptpip:", 0) == 0 ? "PTP/IP Camera" : "", cancelled);
      if (camera.config().empty()) failures++;
      camera.setting("iso");
      for (int i = 0; i < 3; i++)
        if (camera.frame().size == 0) failures++;
      camera.setConfig("manualfocusdrive", camera.setting("manualfocusdrive").choices.empty() ? "5" : "Near 1");
      camera.capture(false);
      camera.waitEvent(1);
      try {
        camera.setConfig("nosuch", "1");
        failures++;
      } catch (const gphoto::Error&) {  // as it should
      }
    } catch (const gphoto::Error& error) {
      std::fprintf(stderr, "%s: %s (%s)\n", error.operation.c_str(), error.text.c_str(), error.log.c_str());
      failures++;
    }
}

int main(int count, char** arguments) {
  std::atomic<bool> done = false;
  std::thread lister([&] {
    while (!done) gphoto::listCameras();
  });
  std::vector<std::thread> cameras;
  for (int i = 2; i < count; i++) cameras.emplace_back(rounds, std::atoi(arguments[1]), arguments[i]);
  for (auto& camera : cameras) camera.join();
  done = true;
  lister.join();
  return failures == 0 ? 0 : 1;
}
