#include "worker.hpp"

#include <locale.h>

namespace nightring {
namespace {

constexpr const char* kClosed = "The camera is closed";

// Numbers with a decimal point and English messages whatever the user's locale; names in UTF-8.
// Made once for all threads and never freed: threads may still use it while the process exits.
locale_t neutralLocale() {
  static const locale_t neutral = [] {
    locale_t plain = newlocale(LC_ALL_MASK, "C", nullptr);
    locale_t utf8 = newlocale(LC_CTYPE_MASK, "C.UTF-8", plain);
    return utf8 ? utf8 : plain;
  }();
  return neutral;
}

}  // namespace

Napi::Value toJs(Napi::Env env, const gphoto::Error& error) {
  auto value = Napi::Error::New(env, error.text).Value();
  value.Set("code", error.code);
  value.Set("operation", error.operation);
  value.Set("log", error.log);
  return value;
}

std::shared_ptr<Worker> Worker::start(Napi::Env env) {
  std::shared_ptr<Worker> worker(new Worker(env));
  worker->channel_ = Channel::New(env, "nightring camera", 0, 1);
  worker->channel_.Unref(env);  // an idle camera does not keep the program running
  napi_add_env_cleanup_hook(env, tearDown, worker.get());
  worker->self_ = worker;
  worker->thread_ = std::thread([it = worker.get()] { it->run(); });
  return worker;
}

Napi::Promise Worker::call(Napi::Reference<Napi::Object>& owner, const char* operation, uint32_t id, Job job) {
  auto deferred = Napi::Promise::Deferred::New(env_);
  {
    std::lock_guard lock(mutex_);
    if (!stopped_) {
      queue_.push_back({operation, id, std::move(job), deferred, &owner, {}, {}});
      owner.Ref();
      if (pending_++ == 0) channel_.Ref(env_);
      wake_.notify_one();
      return deferred.Promise();
    }
  }
  deferred.Reject(toJs(env_, {GP_ERROR_CANCEL, operation, kClosed}));
  return deferred.Promise();
}

void Worker::cancel(uint32_t id) {
  std::lock_guard lock(mutex_);
  if (id == running_) cancelled_ = true;
  for (auto& waiting : queue_)
    if (waiting.id == id) waiting.error = {GP_ERROR_CANCEL, waiting.operation, "The call was cancelled"};
}

void Worker::stop(std::optional<Napi::Promise::Deferred> done) {
  std::lock_guard lock(mutex_);
  if (stopped_) {
    if (done) done->Resolve(env_.Undefined());
    return;
  }
  stopped_ = true;
  cancelled_ = true;
  for (auto& waiting : queue_) waiting.error = {GP_ERROR_CANCEL, waiting.operation, kClosed};
  if (done && pending_++ == 0) channel_.Ref(env_);
  queue_.push_back({"close", 0, {}, done, nullptr, {}, {}});
  wake_.notify_one();
}

void Worker::run() {
  uselocale(neutralLocale());
  std::unique_ptr<gphoto::Session> session;
  for (bool last = false; !last;) {
    Call call;
    {
      std::unique_lock lock(mutex_);
      wake_.wait(lock, [this] { return !queue_.empty(); });
      call = std::move(queue_.front());
      queue_.pop_front();
      running_ = call.id;
      cancelled_ = false;  // for closing too: leaving live view and ending the session are calls
    }
    last = !call.job;
    if (last) {
      session.reset();
      call.value = [](Napi::Env env) { return env.Undefined(); };
    } else if (!call.error) {
      try {
        call.value = call.job(session);
      } catch (const gphoto::Error& error) {
        call.error = error;
      } catch (const std::exception& error) {
        call.error = {GP_ERROR_OS_FAILURE, call.operation, error.what()};
      }
    }
    {
      std::lock_guard lock(mutex_);
      running_ = 0;
    }
    auto settled = std::make_unique<Settled>(Settled{this, std::move(call)});
    if (channel_.BlockingCall(settled.get()) == napi_ok) settled.release();
  }
}

// `env` is null when the environment is gone; then there is nobody left to tell.
void Worker::settle(Napi::Env env, Napi::Function, std::nullptr_t*, Settled* raw) {
  std::unique_ptr<Settled> settled(raw);
  if (env == nullptr) return;
  auto& [worker, call] = *settled;
  bool last = !call.job;
  if (call.deferred && --worker->pending_ == 0) worker->channel_.Unref(env);
  if (call.owner) call.owner->Unref();
  if (call.error) {
    call.deferred->Reject(toJs(env, *call.error));
  } else if (call.deferred) {
    try {
      call.deferred->Resolve(call.value(env));
    } catch (const Napi::Error& error) {
      call.deferred->Reject(error.Value());
    }
  }
  if (last) worker->finish();
}

void Worker::finish() {
  thread_.join();  // it has nothing left to do
  napi_remove_env_cleanup_hook(env_, tearDown, this);
  channel_.Release();
  self_.reset();
}

void Worker::tearDown(void* data) {
  auto worker = static_cast<Worker*>(data);
  worker->stop();
  worker->breakOff();
  worker->thread_.join();
  worker->channel_.Abort();
  worker->self_.reset();
}

}  // namespace nightring
