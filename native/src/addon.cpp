// The addon's JavaScript face. It is small on purpose: docstrings, types and error classes are in index.ts.
#include <gphoto2/gphoto2-version.h>
#include <napi.h>

#include "gphoto.hpp"
#include "worker.hpp"

namespace nightring {
namespace {

Napi::Object toJs(Napi::Env env, const gphoto::Config& config) {
  auto object = Napi::Object::New(env);
  object.Set("path", config.path);
  object.Set("name", config.name);
  object.Set("label", config.label);
  object.Set("type", config.type);
  object.Set("value", config.value);
  object.Set("readOnly", config.readOnly);
  if (config.type == "choice") {
    auto choices = Napi::Array::New(env);
    for (auto& choice : config.choices) choices.Set(choices.Length(), choice);
    object.Set("choices", choices);
  }
  if (config.range) {
    auto range = Napi::Object::New(env);
    range.Set("min", config.range->min);
    range.Set("max", config.range->max);
    range.Set("step", config.range->step);
    object.Set("range", range);
  }
  return object;
}

Napi::Object toJs(Napi::Env env, const gphoto::Event& event) {
  auto object = Napi::Object::New(env);
  object.Set("type", event.type);
  object.Set("text", event.text);
  return object;
}

Napi::Object toJs(Napi::Env env, const gphoto::Port& port) {
  auto object = Napi::Object::New(env);
  object.Set("path", port.path);
  object.Set("name", port.name);
  object.Set("type", port.type);
  return object;
}

Napi::Object toJs(Napi::Env env, const gphoto::Found& found) {
  auto object = Napi::Object::New(env);
  object.Set("model", found.model);
  object.Set("port", found.port);
  return object;
}

template <typename T>
Napi::Value toJs(Napi::Env env, const std::vector<T>& items) {
  auto array = Napi::Array::New(env, items.size());
  for (uint32_t i = 0; i < items.size(); i++) array.Set(i, toJs(env, items[i]));
  return array;
}

Napi::Object toJs(Napi::Env env, const gphoto::Picture& picture) {
  auto object = Napi::Object::New(env);
  object.Set("name", picture.name);
  object.Set("bytes", Napi::Buffer<char>::Copy(env, picture.bytes, picture.size));
  return object;
}

Napi::Value undefined(Napi::Env env) { return env.Undefined(); }

// A job on an open camera, returning nothing or something toJs knows.
template <typename Work>
Job onSession(Work work) {
  return [work](std::unique_ptr<gphoto::Session>& session) -> Value {
    if (!session) throw gphoto::Error{GP_ERROR_CANCEL, "call", "The camera is not open"};
    if constexpr (std::is_void_v<decltype(work(*session))>) {
      work(*session);
      return undefined;
    } else {
      return [found = work(*session)](Napi::Env env) -> Napi::Value { return toJs(env, found); };
    }
  };
}

// Listing needs no camera's thread; it runs on Node's own pool.
template <typename T>
class Listing : public Napi::AsyncWorker {
 public:
  Listing(Napi::Env env, std::vector<T> (*list)()) : AsyncWorker(env), deferred_(env), list_(list) {}
  Napi::Promise promise() const { return deferred_.Promise(); }

 private:
  void Execute() override {
    try {
      found_ = list_();
    } catch (const gphoto::Error& error) {
      error_ = error;
    }
  }
  void OnOK() override {
    if (error_) deferred_.Reject(nightring::toJs(Env(), *error_));
    else deferred_.Resolve(toJs(Env(), found_));
  }

  Napi::Promise::Deferred deferred_;
  std::vector<T> (*list_)();
  std::vector<T> found_;
  std::optional<gphoto::Error> error_;
};

template <typename T, std::vector<T> (*list)()>
Napi::Value listing(const Napi::CallbackInfo& info) {
  auto worker = new Listing<T>(info.Env(), list);  // deletes itself when done
  auto promise = worker->promise();
  worker->Queue();
  return promise;
}

}  // namespace

class CameraHandle : public Napi::ObjectWrap<CameraHandle> {
 public:
  static Napi::Function define(Napi::Env env) {
    return DefineClass(env, "CameraHandle",
                       {InstanceMethod<&CameraHandle::open>("open"), InstanceMethod<&CameraHandle::frame>("frame"),
                        InstanceMethod<&CameraHandle::capture>("capture"),
                        InstanceMethod<&CameraHandle::config>("config"),
                        InstanceMethod<&CameraHandle::setting>("setting"),
                        InstanceMethod<&CameraHandle::setConfig>("setConfig"),
                        InstanceMethod<&CameraHandle::waitEvent>("waitEvent"),
                        InstanceMethod<&CameraHandle::cancel>("cancel"),
                        InstanceMethod<&CameraHandle::breakOff>("breakOff"),
                        InstanceMethod<&CameraHandle::close>("close")});
  }

  explicit CameraHandle(const Napi::CallbackInfo& info) : ObjectWrap(info), worker_(Worker::start(info.Env())) {}
  ~CameraHandle() override { worker_->stop(); }

 private:
  // Every call starts with its number, for cancel().
  template <typename Work>
  Napi::Value call(const Napi::CallbackInfo& info, const char* operation, Work work) {
    return worker_->call(*this, operation, info[0].As<Napi::Number>(), onSession(std::move(work)));
  }

  Napi::Value open(const Napi::CallbackInfo& info) {
    std::string port = info[1].As<Napi::String>(), model = info[2].As<Napi::String>();
    worker_->port = port;
    auto job = [port, model, &cancelled = worker_->cancelled()](auto& session) {
      session = std::make_unique<gphoto::Session>(port, model, cancelled);
      return undefined;
    };
    return worker_->call(*this, "open", info[0].As<Napi::Number>(), job);
  }

  Napi::Value frame(const Napi::CallbackInfo& info) {
    return call(info, "frame", [](auto& session) { return session.frame(); });
  }

  Napi::Value capture(const Napi::CallbackInfo& info) {
    bool removeFromCard = info[1].As<Napi::Boolean>();
    return call(info, "capture", [removeFromCard](auto& session) { return session.capture(removeFromCard); });
  }

  Napi::Value config(const Napi::CallbackInfo& info) {
    return call(info, "read configuration", [](auto& session) { return session.config(); });
  }

  Napi::Value setting(const Napi::CallbackInfo& info) {
    std::string name = info[1].As<Napi::String>();
    return call(info, "read configuration", [name](auto& session) { return session.setting(name); });
  }

  Napi::Value setConfig(const Napi::CallbackInfo& info) {
    std::string name = info[1].As<Napi::String>(), value = info[2].As<Napi::String>();
    return call(info, "set configuration", [name, value](auto& session) { session.setConfig(name, value); });
  }

  Napi::Value waitEvent(const Napi::CallbackInfo& info) {
    int timeoutMs = info[1].As<Napi::Number>();
    return call(info, "wait for event", [timeoutMs](auto& session) { return session.waitEvent(timeoutMs); });
  }

  void cancel(const Napi::CallbackInfo& info) { worker_->cancel(info[0].As<Napi::Number>()); }

  void breakOff(const Napi::CallbackInfo&) { worker_->breakOff(); }

  Napi::Value close(const Napi::CallbackInfo& info) {
    auto done = Napi::Promise::Deferred::New(info.Env());
    worker_->stop(done);
    return done.Promise();
  }

  std::shared_ptr<Worker> worker_;
};

static Napi::Object init(Napi::Env env, Napi::Object exports) {
  exports.Set("CameraHandle", CameraHandle::define(env));
  exports.Set("listPorts", Napi::Function::New<listing<gphoto::Port, gphoto::listPorts>>(env, "listPorts"));
  exports.Set("listCameras", Napi::Function::New<listing<gphoto::Found, gphoto::listCameras>>(env, "listCameras"));
  exports.Set("libraryVersion", gp_library_version(GP_VERSION_SHORT)[0]);
  return exports;
}

NODE_API_MODULE(nightring_gphoto, init)

}  // namespace nightring
