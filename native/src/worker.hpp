// One thread per camera: calls wait in a queue and run in order; JavaScript's thread is never held up.
#pragma once

#include <napi.h>

#include <atomic>
#include <condition_variable>
#include <deque>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "gphoto.hpp"

namespace nightring {

// What a job found, turned into a JavaScript value once back on JavaScript's thread.
using Value = std::function<Napi::Value(Napi::Env)>;
// Runs on the camera's thread. Opening fills the session, every other job uses it.
using Job = std::function<Value(std::unique_ptr<gphoto::Session>&)>;

Napi::Value toJs(Napi::Env env, const gphoto::Error& error);

// All members are for JavaScript's thread, unless they say otherwise. A worker keeps itself alive until its
// thread has ended, so a handle that is collected, or an environment that is torn down, leaves nothing behind.
class Worker {
 public:
  static std::shared_ptr<Worker> start(Napi::Env env);

  // Any thread: set while the running call should give up, for the session.
  const std::atomic<bool>& cancelled() const { return cancelled_; }

  // Queues a job, to be known as `id`. `owner` is kept from collection until the promise is settled.
  Napi::Promise call(Napi::Reference<Napi::Object>& owner, const char* operation, uint32_t id, Job job);

  // A waiting call is rejected in its turn, without being made; the running one is asked to give up, which not every
  // driver looks for. Does nothing when it is over.
  void cancel(uint32_t id);

  // Rejects the calls still waiting, asks the running one to give up, then closes the camera and ends the
  // thread. Fulfils `done` when the camera is free. Only the first stop counts.
  void stop(std::optional<Napi::Promise::Deferred> done = std::nullopt);

  // Breaks the network connection, so that a call stuck in it ends. Only closing makes sense afterwards.
  void breakOff() const { gphoto::breakConnections(port); }

  std::string port;  // what the camera was opened at

 private:
  struct Call {
    const char* operation;
    uint32_t id;
    Job job;  // none for the last call, which closes the camera
    std::optional<Napi::Promise::Deferred> deferred;
    Napi::Reference<Napi::Object>* owner;
    Value value;
    std::optional<gphoto::Error> error;
  };
  struct Settled {
    Worker* worker;
    Call call;
  };
  static void settle(Napi::Env env, Napi::Function, std::nullptr_t*, Settled* settled);
  using Channel = Napi::TypedThreadSafeFunction<std::nullptr_t, Settled, settle>;

  explicit Worker(Napi::Env env) : env_(env) {}
  void run();  // the camera's thread
  void finish();
  static void tearDown(void* worker);

  Napi::Env env_;
  Channel channel_;  // from the camera's thread to JavaScript's
  std::thread thread_;
  std::shared_ptr<Worker> self_;
  int pending_ = 0;

  std::atomic<bool> cancelled_ = false;
  std::mutex mutex_;  // guards what follows
  std::condition_variable wake_;
  std::deque<Call> queue_;
  uint32_t running_ = 0;  // the call being made, 0 for none
  bool stopped_ = false;
};

}  // namespace nightring
