// libgphoto2 as plain C++: values in, values out, every failing call throws gphoto::Error.
// Nothing here knows of JavaScript. One Session is used by one thread at a time; only its
// `cancelled` flag may be touched from another.
#pragma once

#include <gphoto2/gphoto2.h>
#include <sys/types.h>

#include <atomic>
#include <memory>
#include <optional>
#include <string>
#include <vector>

namespace gphoto {

struct Error {
  int code;               // GP_ERROR_…, negative
  std::string operation;  // what was being done, e.g. "frame"
  std::string text;       // the driver's own words where it gave any, else the library's for the code
  std::string log = {};   // what the library wrote to its log meanwhile, for whoever looks for the cause
};

struct Port {
  std::string path, name, type;
};

struct Found {
  std::string model, port;
};

struct Range {
  float min, max, step;
};

struct Config {
  std::string path, name, label, type, value;
  bool readOnly;
  std::vector<std::string> choices;
  std::optional<Range> range;
};

struct Event {
  std::string type, text;
};

struct Picture {
  std::shared_ptr<CameraFile> file;  // owns the bytes
  const char* bytes;
  unsigned long size;
  std::string name;
};

// Breaks the network connections this process has to the camera at `port` (ptpip:ADDRESS:PORT…), whichever thread
// is using them: the only way to end a call that is stuck in one. Does nothing for other ports.
void breakConnections(const std::string& port);

std::vector<Port> listPorts();
std::vector<Found> listCameras();

// A socket of this process, recognised by its inode when the number may have been given to another file since.
struct Connection {
  int fd;
  ino_t inode;
  bool operator==(const Connection&) const = default;
};

// Closes what the driver has left open: libgphoto2 (2.5.30 to 2.5.34) forgets its sockets when opening fails after
// the first answer, and when a camera of vendor extension 0x0B no longer answers at the end.
struct Connections {
  std::vector<Connection> opened;
  ~Connections();
};

struct FreeWidget {
  void operator()(CameraWidget* widget) const { gp_widget_free(widget); }
};
using Widget = std::unique_ptr<CameraWidget, FreeWidget>;

class Session {
 public:
  // Opens the camera at `port` ("usb" is the first USB camera). `cancelled` must outlive the session; while it is
  // set, calls end early where the driver looks: during USB transfers, listing, and waiting for an event.
  Session(const std::string& port, const std::string& model, const std::atomic<bool>& cancelled);

  Picture frame();
  Picture capture(bool removeFromCard);
  std::vector<Config> config();
  Config setting(const std::string& name);
  void setConfig(const std::string& name, const std::string& value);
  Event waitEvent(int timeoutMs);

 private:
  struct Release {
    void operator()(Camera* camera) const;
    void operator()(GPContext* context) const { gp_context_unref(context); }
  };

  void check(int result, const char* operation);
  Widget single(const std::string& nameOrPath, const char* operation);

  const std::atomic<bool>& cancelled_;
  std::string said_;      // messages of the running call
  bool troubled_ = true;  // no live-view picture came last; then the next try reads the library's log
  // Order matters: the camera goes first, while its context is still there; then what it left.
  Connections connections_;
  std::unique_ptr<GPContext, Release> context_;
  std::unique_ptr<Camera, Release> camera_;
};

}  // namespace gphoto
