#include "gphoto.hpp"

#include <arpa/inet.h>
#include <fcntl.h>
#include <gphoto2/gphoto2-port-log.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <charconv>
#include <chrono>
#include <cmath>
#include <cstdlib>
#include <mutex>
#include <utility>

namespace gphoto {
namespace {

// libgphoto2 finds drivers through libtool's loader, which is not thread-safe, and keeps its settings in
// static memory; whatever loads, opens or unloads a driver holds this lock. Never destroyed, because camera
// threads may outlive static destruction when the process exits.
std::mutex& loading() {
  static auto* mutex = new std::mutex;
  return *mutex;
}

template <typename T, int (*release)(T*)>
struct Releaser {
  void operator()(T* it) const { release(it); }
};
using PortInfos = std::unique_ptr<GPPortInfoList, Releaser<GPPortInfoList, gp_port_info_list_free>>;
using Names = std::unique_ptr<CameraList, Releaser<CameraList, gp_list_free>>;

// What the library wrote to its error log during the call that runs on this thread. Some causes stand nowhere
// else, such as a USB node that may not be opened, or why a body refuses live view.
thread_local std::string logged;

// Collects the error log while it lives. Not for every frame: as soon as anybody listens, the library writes out all
// data that passes as well (1 ms for a frame of 100 kB). Adding a listener while another thread logs is safe from the
// second time on, when the library's list has its memory and the same listener stood in it before; the first time is
// in firstSession(), before any camera has a thread that could log.
class ErrorLog {
 public:
  ErrorLog() {
    std::lock_guard lock(mutex());
    if (users()++ == 0) id() = gp_log_add_func(GP_LOG_ERROR, note, nullptr);
    logged.clear();
  }
  ~ErrorLog() {
    std::lock_guard lock(mutex());
    if (--users() == 0) gp_log_remove_func(id());
  }
  ErrorLog(const ErrorLog&) = delete;

 private:
  static void note(GPLogLevel, const char*, const char* message, void*) {
    if (logged.size() < 2000) logged += (logged.empty() ? "" : "; ") + std::string(message);
  }
  static std::mutex& mutex() {
    static auto* it = new std::mutex;  // never destroyed, as loading()
    return *it;
  }
  static int& users() {
    static int count = 0;
    return count;
  }
  static int& id() {
    static int number = 0;
    return number;
  }
};

void firstSession() {
  static const bool once = [] {
    ErrorLog log;
    return true;
  }();
  static_cast<void>(once);
}

int check(int result, const char* operation, const std::string& said = "") {
  auto log = std::exchange(logged, "");
  if (result < GP_OK) throw Error{result, operation, said.empty() ? gp_result_as_string(result) : said, log};
  return result;
}

// Reads one property of a widget, or one numbered part of it.
template <typename T>
T get(int (*getter)(CameraWidget*, T*), CameraWidget* widget) {
  T value{};
  check(getter(widget, &value), "read configuration");
  return value;
}
template <typename T>
T get(int (*getter)(CameraWidget*, int, T*), CameraWidget* widget, int index) {
  T value{};
  check(getter(widget, index, &value), "read configuration");
  return value;
}

std::string text(const char* value) { return value ? value : ""; }

// What each driver can do; reading it loads every driver once (about 0.1 s), so it is kept.
CameraAbilitiesList* abilities() {
  static CameraAbilitiesList* list = nullptr;
  if (!list) {
    CameraAbilitiesList* fresh = nullptr;
    check(gp_abilities_list_new(&fresh), "list drivers");
    if (int result = gp_abilities_list_load(fresh, nullptr); result < GP_OK) {
      gp_abilities_list_free(fresh);
      check(result, "list drivers");
    }
    list = fresh;
  }
  return list;
}

PortInfos portInfos() {
  GPPortInfoList* list = nullptr;
  check(gp_port_info_list_new(&list), "list ports");
  PortInfos owned(list);
  check(gp_port_info_list_load(list), "list ports");
  return owned;
}

const char* portType(GPPortType type) {
  switch (type) {
    case GP_PORT_USB: return "usb";
    case GP_PORT_PTPIP: return "ptpip";
    case GP_PORT_IP: return "ip";
    case GP_PORT_SERIAL: return "serial";
    case GP_PORT_DISK: return "disk";
    default: return "other";
  }
}

// With the lock held. The bare "usb:" entry stands for "any" and would repeat the real ones.
std::vector<Found> detect(GPPortInfoList* ports) {
  CameraList* list = nullptr;
  check(gp_list_new(&list), "list cameras");
  Names owned(list);
  check(gp_abilities_list_detect(abilities(), ports, list, nullptr), "list cameras");
  std::vector<Found> found;
  for (int i = 0; i < gp_list_count(list); i++) {
    const char *model = nullptr, *port = nullptr;
    gp_list_get_name(list, i, &model);
    gp_list_get_value(list, i, &port);
    if (text(port) != "usb:") found.push_back({text(model), text(port)});
  }
  return found;
}

// libgphoto2 (2.5.30 to 2.5.34 at least) closes descriptor 0 when it leaves a PTP/IP camera: the socket it has
// only for one maker's cameras is 0, not "none", for all others. The next file or socket opened anywhere in the
// process would get number 0 and be closed with the next camera. So what was there is put back, unless another
// thread's descriptor got the number first (then it is that thread's, and nothing is overwritten).
class KeepStandardInput {
 public:
  KeepStandardInput() : kept_(fcntl(STDIN_FILENO, F_DUPFD_CLOEXEC, 3)) {}
  ~KeepStandardInput() {
    if (kept_ < 0) return;
    int again = fcntl(STDIN_FILENO, F_GETFD) < 0 ? dup(kept_) : -1;  // dup takes the lowest free number
    if (again > STDIN_FILENO) ::close(again);
    ::close(kept_);
  }

 private:
  int kept_;
};

// The sockets of this process that are connected to a camera's port, whoever opened them.
std::vector<Connection> connectionsTo(const std::string& port) {
  std::vector<Connection> found;
  if (port.rfind("ptpip:", 0) != 0) return found;
  auto address = port.substr(6, port.find(':', 6) - 6);
  auto ports = port.substr(6 + address.size()) + ":";
  if (ports == ":") ports = ":15740:";  // the one registered for PTP/IP
  long limit = sysconf(_SC_OPEN_MAX);
  for (int fd = 3; fd < std::min(limit, 65536L); fd++) {
    sockaddr_in peer{};
    socklen_t size = sizeof peer;
    if (getpeername(fd, reinterpret_cast<sockaddr*>(&peer), &size) < 0 || peer.sin_family != AF_INET) continue;
    char text[INET_ADDRSTRLEN];
    if (!inet_ntop(AF_INET, &peer.sin_addr, text, sizeof text) || address != text) continue;
    if (ports.find(":" + std::to_string(ntohs(peer.sin_port)) + ":") == std::string::npos) continue;
    struct stat about{};
    if (fstat(fd, &about) == 0) found.push_back({fd, about.st_ino});
  }
  return found;
}

std::string oneLine(std::string said) {
  std::replace(said.begin(), said.end(), '\n', ' ');
  while (!said.empty() && said.back() == ' ') said.pop_back();
  return said;
}

std::string number(float value) {
  char digits[32];
  auto end = std::to_chars(digits, digits + sizeof digits, value).ptr;
  return {digits, end};
}

const char* widgetType(CameraWidgetType type) {
  switch (type) {
    case GP_WIDGET_TEXT: return "text";
    case GP_WIDGET_RANGE: return "range";
    case GP_WIDGET_TOGGLE: return "toggle";
    case GP_WIDGET_RADIO:
    case GP_WIDGET_MENU: return "choice";
    case GP_WIDGET_BUTTON: return "button";
    case GP_WIDGET_DATE: return "date";
    default: return nullptr;  // windows and sections only group
  }
}

std::string widgetValue(CameraWidget* widget, CameraWidgetType type) {
  if (type == GP_WIDGET_BUTTON) return "";
  if (type == GP_WIDGET_RANGE) {
    float value = 0;
    check(gp_widget_get_value(widget, &value), "read configuration");
    return number(value);
  }
  if (type == GP_WIDGET_TOGGLE || type == GP_WIDGET_DATE) {
    int value = 0;
    check(gp_widget_get_value(widget, &value), "read configuration");
    return std::to_string(value);
  }
  char* value = nullptr;
  check(gp_widget_get_value(widget, &value), "read configuration");
  return text(value);
}

std::vector<std::string> choicesOf(CameraWidget* widget) {
  std::vector<std::string> choices;
  for (int i = 0; i < gp_widget_count_choices(widget); i++)
    choices.push_back(text(get(gp_widget_get_choice, widget, i)));
  return choices;
}

// None for what only groups.
std::optional<Config> configOf(CameraWidget* widget, const std::string& path) {
  auto type = get(gp_widget_get_type, widget);
  const char* kind = widgetType(type);
  if (!kind) return {};
  Config config{path, text(get(gp_widget_get_name, widget)), text(get(gp_widget_get_label, widget)), kind,
                widgetValue(widget, type), get(gp_widget_get_readonly, widget) != 0, {}, {}};
  if (type == GP_WIDGET_RADIO || type == GP_WIDGET_MENU) config.choices = choicesOf(widget);
  if (type == GP_WIDGET_RANGE) {
    Range range{};
    check(gp_widget_get_range(widget, &range.min, &range.max, &range.step), "read configuration");
    config.range = range;
  }
  return config;
}

void collect(CameraWidget* widget, const std::string& above, std::vector<Config>& into) {
  auto path = above + "/" + text(get(gp_widget_get_name, widget));
  if (auto config = configOf(widget, path)) into.push_back(std::move(*config));
  for (int i = 0; i < gp_widget_count_children(widget); i++)
    collect(get(gp_widget_get_child, widget, i), path, into);
}

// A whole decimal number, nothing before or after it.
template <typename T>
bool parse(const std::string& from, T& into) {
  auto [end, failure] = std::from_chars(from.data(), from.data() + from.size(), into);
  return failure == std::errc() && end == from.data() + from.size();
}

[[noreturn]] void refuse(const std::string& why) { throw Error{GP_ERROR_BAD_PARAMETERS, "set configuration", why}; }

void setWidget(CameraWidget* widget, const std::string& name, const std::string& value) {
  auto type = get(gp_widget_get_type, widget);
  int result = GP_ERROR_NOT_SUPPORTED;
  switch (type) {
    case GP_WIDGET_RADIO:
    case GP_WIDGET_MENU: {
      auto choices = choicesOf(widget);
      if (std::find(choices.begin(), choices.end(), value) == choices.end()) {
        std::string offered;
        for (auto& choice : choices) offered += (offered.empty() ? "" : ", ") + choice;
        refuse("'" + name + "' takes one of: " + offered);
      }
      [[fallthrough]];
    }
    case GP_WIDGET_TEXT:
      result = gp_widget_set_value(widget, value.c_str());
      break;
    case GP_WIDGET_RANGE: {
      Range range{};
      float wanted = 0;
      check(gp_widget_get_range(widget, &range.min, &range.max, &range.step), "set configuration");
      if (!parse(value, wanted) || !(wanted >= range.min && wanted <= range.max))
        refuse("'" + name + "' takes a number from " + number(range.min) + " to " + number(range.max));
      result = gp_widget_set_value(widget, &wanted);
      break;
    }
    case GP_WIDGET_TOGGLE:
    case GP_WIDGET_DATE: {
      int wanted = 0;
      bool whole = parse(value, wanted);
      if (type == GP_WIDGET_TOGGLE && (!whole || (wanted != 0 && wanted != 1))) refuse("'" + name + "' takes 0 or 1");
      if (!whole) refuse("'" + name + "' takes whole seconds since 1970");
      result = gp_widget_set_value(widget, &wanted);
      break;
    }
    default:
      break;
  }
  check(result, "set configuration");
  gp_widget_set_changed(widget, 1);  // written even when the value is the old one
}

}  // namespace

void breakConnections(const std::string& port) {
  for (auto& connection : connectionsTo(port)) shutdown(connection.fd, SHUT_RDWR);
}

std::vector<Port> listPorts() {
  std::lock_guard lock(loading());
  auto infos = portInfos();
  std::vector<Port> ports;
  for (int i = 0; i < gp_port_info_list_count(infos.get()); i++) {
    GPPortInfo info{};
    check(gp_port_info_list_get_info(infos.get(), i, &info), "list ports");
    char *path = nullptr, *name = nullptr;
    GPPortType type{};
    check(gp_port_info_get_path(info, &path), "list ports");
    check(gp_port_info_get_name(info, &name), "list ports");
    check(gp_port_info_get_type(info, &type), "list ports");
    ports.push_back({text(path), text(name), portType(type)});
  }
  return ports;
}

std::vector<Found> listCameras() {
  std::lock_guard lock(loading());
  auto infos = portInfos();
  return detect(infos.get());
}

Session::Session(const std::string& wantedPort, const std::string& wantedModel, const std::atomic<bool>& cancelled)
    : cancelled_(cancelled), context_(gp_context_new()) {
  gp_context_set_error_func(
      context_.get(),
      [](GPContext*, const char* message, void* said) {
        auto& all = *static_cast<std::string*>(said);
        all += (all.empty() ? "" : "; ") + oneLine(text(message));
      },
      &said_);
  gp_context_set_cancel_func(
      context_.get(),
      [](GPContext*, void* flag) {
        return static_cast<const std::atomic<bool>*>(flag)->load() ? GP_CONTEXT_FEEDBACK_CANCEL
                                                                   : GP_CONTEXT_FEEDBACK_OK;
      },
      const_cast<std::atomic<bool>*>(&cancelled));

  std::lock_guard lock(loading());
  firstSession();
  ErrorLog log;
  auto infos = portInfos();
  auto port = wantedPort, model = wantedModel;
  if (model.empty()) {
    for (auto& found : detect(infos.get()))
      if (wantedPort == "usb" ? found.port.rfind("usb:", 0) == 0 : found.port == wantedPort) {
        port = found.port;
        model = found.model;
        break;
      }
    if (model.empty()) throw Error{GP_ERROR_MODEL_NOT_FOUND, "open", "No camera at port '" + wantedPort + "'"};
  }

  int index = gp_abilities_list_lookup_model(abilities(), model.c_str());
  if (index < GP_OK) throw Error{index, "open", "No driver for camera model '" + model + "'"};
  CameraAbilities ability{};
  check(gp_abilities_list_get_abilities(abilities(), index, &ability), "open");
  int place = gp_port_info_list_lookup_path(infos.get(), port.c_str());
  if (place < GP_OK) throw Error{place, "open", "Unknown port '" + port + "'"};
  GPPortInfo info{};
  check(gp_port_info_list_get_info(infos.get(), place, &info), "open");

  Camera* camera = nullptr;
  check(gp_camera_new(&camera), "open");
  auto others = connectionsTo(port);  // of another session with the same camera
  int result = gp_camera_set_abilities(camera, ability);
  if (result >= GP_OK) result = gp_camera_set_port_info(camera, info);
  if (result >= GP_OK) result = gp_camera_init(camera, context_.get());
  auto& own = connections_.opened;
  for (auto& connection : connectionsTo(port))
    if (std::find(others.begin(), others.end(), connection) == others.end()) own.push_back(connection);
  if (result < GP_OK) {
    gp_camera_unref(camera);
    check(result, "open");
  }
  camera_.reset(camera);
}

Connections::~Connections() {
  for (auto& [fd, inode] : opened) {
    struct stat about{};
    if (fstat(fd, &about) == 0 && S_ISSOCK(about.st_mode) && about.st_ino == inode) ::close(fd);
  }
}

void Session::Release::operator()(Camera* camera) const {
  std::lock_guard lock(loading());
  KeepStandardInput keep;
  gp_camera_exit(camera, nullptr);
  gp_camera_unref(camera);
}

void Session::check(int result, const char* operation) {
  auto said = std::exchange(said_, "");
  gphoto::check(result, operation, said);
}

static std::shared_ptr<CameraFile> newFile() {
  CameraFile* file = nullptr;
  check(gp_file_new(&file), "allocate");
  return {file, gp_file_unref};
}

static Picture pictureOf(std::shared_ptr<CameraFile> file, const char* operation) {
  const char *bytes = nullptr, *name = nullptr;
  unsigned long size = 0;
  check(gp_file_get_data_and_size(file.get(), &bytes, &size), operation);
  gp_file_get_name(file.get(), &name);
  return {std::move(file), bytes, size, text(name)};
}

Picture Session::frame() {
  std::optional<ErrorLog> log;
  if (std::exchange(troubled_, true)) log.emplace();
  auto file = newFile();
  check(gp_camera_capture_preview(camera_.get(), file.get(), context_.get()), "frame");
  troubled_ = false;
  auto picture = pictureOf(std::move(file), "frame");
  // A driver that gives up waiting for a busy camera reports success and no bytes.
  if (picture.size == 0) throw Error{GP_ERROR_CAMERA_BUSY, "frame", "The camera stayed busy"};
  return picture;
}

Picture Session::capture(bool removeFromCard) {
  ErrorLog log;
  CameraFilePath path{};
  check(gp_camera_capture(camera_.get(), GP_CAPTURE_IMAGE, &path, context_.get()), "capture");
  auto file = newFile();
  check(gp_camera_file_get(camera_.get(), path.folder, path.name, GP_FILE_TYPE_NORMAL, file.get(), context_.get()),
        "download");
  auto picture = pictureOf(std::move(file), "download");
  picture.name = path.name;
  // Drivers call a picture that is only in the camera's memory "capt…"; deleting it frees the library's copy.
  bool inMemory = text(path.name).rfind("capt", 0) == 0;
  if (inMemory || removeFromCard)
    check(gp_camera_file_delete(camera_.get(), path.folder, path.name, context_.get()), "delete");
  return picture;
}

std::vector<Config> Session::config() {
  CameraWidget* root = nullptr;
  check(gp_camera_get_config(camera_.get(), &root, context_.get()), "read configuration");
  Widget owned(root);
  std::vector<Config> all;
  collect(root, "", all);
  return all;
}

Widget Session::single(const std::string& nameOrPath, const char* operation) {
  auto name = nameOrPath.substr(nameOrPath.rfind('/') + 1);  // npos + 1 is 0
  CameraWidget* widget = nullptr;
  int result = gp_camera_get_single_config(camera_.get(), name.c_str(), &widget, context_.get());
  // Some drivers report success and no widget.
  if (result == GP_ERROR_BAD_PARAMETERS || (result >= GP_OK && !widget))
    throw Error{GP_ERROR_BAD_PARAMETERS, operation, "The camera has no setting '" + name + "'"};
  check(result, operation);
  return Widget(widget);
}

Config Session::setting(const std::string& name) {
  auto widget = single(name, "read configuration");
  auto config = configOf(widget.get(), name);
  if (!config) throw Error{GP_ERROR_BAD_PARAMETERS, "read configuration", "'" + name + "' is a group of settings"};
  return *config;
}

void Session::setConfig(const std::string& nameOrPath, const std::string& value) {
  ErrorLog log;
  auto widget = single(nameOrPath, "set configuration");
  auto name = text(get(gp_widget_get_name, widget.get()));
  if (get(gp_widget_get_readonly, widget.get())) refuse("The camera does not let '" + name + "' be changed");
  setWidget(widget.get(), name, value);
  check(gp_camera_set_single_config(camera_.get(), name.c_str(), widget.get(), context_.get()), "set configuration");
}

Event Session::waitEvent(int timeoutMs) {
  using Clock = std::chrono::steady_clock;
  auto end = Clock::now() + std::chrono::milliseconds(timeoutMs);
  CameraEventType type{};
  void* data = nullptr;
  // In short waits, because the driver does not look whether the call was cancelled.
  for (int leftMs = timeoutMs;; leftMs = std::chrono::ceil<std::chrono::milliseconds>(end - Clock::now()).count()) {
    int waitMs = std::clamp(leftMs, 1, 100);
    check(gp_camera_wait_for_event(camera_.get(), waitMs, &type, &data, context_.get()), "wait for event");
    if (type != GP_EVENT_TIMEOUT || leftMs <= waitMs) break;
    if (cancelled_) check(GP_ERROR_CANCEL, "wait for event");
  }
  std::unique_ptr<void, decltype(&std::free)> owned(data, std::free);
  auto place = [&] {
    auto path = static_cast<const CameraFilePath*>(data);
    return path ? text(path->folder) + "/" + path->name : "";
  };
  switch (type) {
    case GP_EVENT_TIMEOUT: return {"timeout", ""};
    case GP_EVENT_FILE_ADDED: return {"file-added", place()};
    case GP_EVENT_FOLDER_ADDED: return {"folder-added", place()};
    case GP_EVENT_FILE_CHANGED: return {"file-changed", place()};
    case GP_EVENT_CAPTURE_COMPLETE: return {"capture-complete", ""};
    default: return {"other", text(static_cast<const char*>(data))};
  }
}

}  // namespace gphoto
