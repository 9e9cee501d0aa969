#include "server/http.h"

#include <fcntl.h>
#include <fmt/format.h>

#include <array>
#include <boost/asio/executor_work_guard.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/core.hpp>
#include <boost/beast/http.hpp>
#include <set>
#include <thread>

namespace rayset::server {
namespace net = boost::asio;
namespace beast = boost::beast;
namespace http = beast::http;
using tcp = net::ip::tcp;
using boost::system::error_code;
using Clock = std::chrono::steady_clock;

namespace {

constexpr std::uint32_t kHeaderLimit = 16 * 1024;
constexpr std::size_t kPiece = 256 * 1024;
constexpr std::size_t kMostLeftUnread = std::size_t{64} << 20U;
/// Only our own scripts, pictures and connections; no other page may frame us.
constexpr const char* kPolicy =
    "default-src 'self'; img-src 'self' blob: data:; worker-src 'self' blob:; connect-src 'self'; "
    "frame-ancestors 'self'; base-uri 'none'; form-action 'none'; object-src 'none'";

class Connection;

/// What all connections share. Everything but the workers' tasks happens in the network's thread.
struct Network {
  HttpSettings settings;
  Handler handler;
  bool stopping = false;
  std::set<Connection*> connections;
  net::io_context io{1};
  net::thread_pool workers;  // after `io`, to which their tasks return
  tcp::acceptor acceptor{io};
  net::steady_timer pause{io};

  Network(const HttpSettings& s, Handler h)
      : settings(s), handler(std::move(h)), workers(static_cast<std::size_t>(s.workers)) {}
  [[nodiscard]] Reply refusal(int status, Message what, Message remedy = {}) const {
    return handler.refuse(status, {Fault::kRequest, std::move(what), "", std::move(remedy)});
  }
  void acceptNext();
  void stop();
};

/// A response that is being sent.
template <class Body>
struct Outgoing {
  http::response<Body> message;
  std::optional<http::response_serializer<Body>> serializer;  // once the message is whole
  Outgoing(int status, unsigned version) : message(static_cast<http::status>(status), version) {}
};

/// Requests and replies in turn; each step keeps the connection alive and starts the next: when a step starts no other,
/// the connection ends.
class Connection : public std::enable_shared_from_this<Connection> {
 public:
  Connection(Network& network, tcp::socket socket) : network_(network), stream_(std::move(socket)) {
    error_code ignored;
    stream_.socket().set_option(tcp::no_delay(true), ignored);
    network_.connections.insert(this);
  }
  ~Connection() {
    network_.connections.erase(this);
    dropUpload();
  }
  Connection(const Connection&) = delete;
  Connection& operator=(const Connection&) = delete;

  void begin() { readHeader(); }
  void refuse(Reply reply) {
    dropUpload();
    keep_ = false;
    send(std::move(reply));
  }
  void stop() {
    stream_.close();
    change_.cancel();
  }

 private:
  const HttpSettings& settings() const { return network_.settings; }
  static std::chrono::seconds seconds(int n) { return std::chrono::seconds(n); }

  /// A step that keeps the connection alive until it is done.
  template <class Step>
  auto then(Step step) {
    return [self = shared_from_this(), step = std::move(step)](auto... results) mutable { step(results...); };
  }

  /// `work` by a worker, then `next` here.
  using Step = std::function<void()>;
  template <class Work>
  void compute(Work work, Step next) {
    if (network_.stopping) return;
    net::post(network_.workers, [self = shared_from_this(), work = std::move(work), next = std::move(next)]() mutable {
      try {
        work();
      } catch (const std::exception&) {
        next = nullptr;  // not enough memory for this connection: it ends, the others go on
      }
      auto& io = self->network_.io;
      net::post(io, [self = std::move(self), next = std::move(next)] {
        if (next && !self->network_.stopping) next();
      });
    });
  }

  // ------------------------------------------------------------------ a request comes in

  void readHeader() {
    parser_.emplace();
    parser_->header_limit(kHeaderLimit);
    parser_->body_limit(std::numeric_limits<std::uint64_t>::max());  // decided by the handler
    request_ = {};
    version_ = 11;
    stream_.expires_after(seconds(settings().header_s));
    http::async_read_header(stream_, buffer_, *parser_, then([this](error_code ec, std::size_t) { headerRead(ec); }));
  }

  void headerRead(error_code ec) {
    begun_ = Clock::now();
    if (ec == http::error::header_limit) return refuse(network_.refusal(431, "server.header_too_large"));
    if (ec && ec != http::error::end_of_stream &&
        ec.category() == http::make_error_code(http::error::bad_method).category())
      return refuse(network_.refusal(400, "server.no_http"));
    if (ec) return;
    const auto& header = parser_->get();
    version_ = header.version();
    auto target = targetFrom({header.target().data(), header.target().size()});
    if (!target) return refuse(network_.refusal(400, "server.bad_address"));
    static_cast<Target&>(request_) = std::move(*target);
    request_.method = std::string(header.method_string());
    request_.host = std::string(header[http::field::host]);
    request_.accept_encoding = std::string(header[http::field::accept_encoding]);
    request_.if_none_match = std::string(header[http::field::if_none_match]);
    request_.marked = header["X-Rayset"] == "1";
    keep_ = header.keep_alive();
    compute([this] { intake_ = network_.handler.accept(request_); }, [this] { accepted(); });
  }

  void accepted() {
    if (!intake_) return refuse(std::move(intake_.error()));  // its body, if any, is not read
    if (parser_->content_length() && *parser_->content_length() > intake_->limit) return refuse(tooLarge());
    parser_->body_limit(intake_->limit);
    if (!intake_->file.empty()) {
      const int fd = ::open(intake_->file.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
      if (fd < 0) return refuse(network_.refusal(500, "server.file_cannot_be_written", "server.check_space"));
      file_.native_handle(fd);
      request_.uploaded = intake_->file;
    }
    if (!beast::iequals(parser_->get()[http::field::expect], "100-continue")) return readPiece();
    static const std::string kGoOn = "HTTP/1.1 100 Continue\r\n\r\n";
    stream_.expires_after(seconds(settings().write_s));
    net::async_write(stream_, net::buffer(kGoOn), then([this](error_code ec, std::size_t) {
                       if (!ec) readPiece();
                     }));
  }

  void readPiece() {
    if (parser_->is_done()) return bodyRead();
    piece_.resize(kPiece);
    parser_->get().body().data = piece_.data();
    parser_->get().body().size = piece_.size();
    stream_.expires_after(seconds(settings().body_s));
    http::async_read(stream_, buffer_, *parser_, then([this](error_code ec, std::size_t) { pieceRead(ec); }));
  }

  void pieceRead(error_code ec) {
    if (ec == http::error::body_limit) return refuse(tooLarge());
    if (ec && ec != http::error::need_buffer) return done(0);
    const std::string_view piece(piece_.data(), piece_.size() - parser_->get().body().size);
    if (!file_.is_open()) {
      request_.body += piece;
      return readPiece();
    }
    compute([this, piece] { file_.write(piece.data(), piece.size(), file_problem_); },
            [this] { file_problem_ ? refuse(diskFull()) : readPiece(); });
  }

  void bodyRead() {
    piece_ = {};
    if (file_.is_open()) file_.close(file_problem_);
    if (file_problem_) return refuse(diskFull());
    compute(
        [this] {
          reply_ = network_.handler.answer(request_);
          dropUpload();
        },
        [this] { send(std::move(reply_)); });
  }

  [[nodiscard]] Reply tooLarge() const {
    return network_.refusal(413, {"server.takes_at_most", {{"limit", intake_->limit}}});
  }
  [[nodiscard]] Reply diskFull() const { return network_.refusal(500, "server.disk_full", "server.free_some_space"); }

  /// Unless the handler moved it away.
  void dropUpload() {
    error_code ignored;
    file_.close(ignored);
    std::error_code gone;
    if (!request_.uploaded.empty()) std::filesystem::remove(request_.uploaded, gone);
    request_.uploaded.clear();
  }

  // ------------------------------------------------------------------ a reply goes out

  void send(Reply reply) {
    reply_ = std::move(reply);
    if (reply_.pieces || reply_.feed) return sendStream();
    if (reply_.file.empty()) {
      auto out = outgoing<http::string_body>();
      out->message.body() = std::move(reply_.body);
      if (reply_.status != 204 && reply_.status != 304) out->message.prepare_payload();
      return write(std::move(out));
    }
    auto out = outgoing<http::file_body>();
    error_code ec;
    out->message.body().open(reply_.file.c_str(), beast::file_mode::scan, ec);
    if (ec) return send(network_.refusal(404, "server.file_not_there", "server.load_page_anew"));
    out->message.prepare_payload();
    write(std::move(out));
  }

  template <class Body>
  std::shared_ptr<Outgoing<Body>> outgoing() {
    auto out = std::make_shared<Outgoing<Body>>(reply_.status, version_);
    auto& message = out->message;
    message.set(http::field::content_type, reply_.type);
    message.set("Content-Security-Policy", kPolicy);
    message.set("X-Content-Type-Options", "nosniff");
    message.set("Referrer-Policy", "no-referrer");
    message.set("Cross-Origin-Resource-Policy", "same-origin");
    for (const auto& [name, value] : reply_.headers) message.set(name, value);
    message.keep_alive(keep_);
    return out;
  }

  template <class Body>
  void write(std::shared_ptr<Outgoing<Body>> out) {
    stream_.expires_after(seconds(settings().write_s));
    if (!out->serializer) out->serializer.emplace(out->message);
    auto& serializer = *out->serializer;
    http::async_write_some(stream_, serializer, then([this, out = std::move(out)](error_code ec, std::size_t) mutable {
                             if constexpr (std::is_same_v<Body, http::buffer_body>)
                               if (ec == http::error::need_buffer) return nextPiece(std::move(out));
                             if (ec) return done(0);
                             if (!out->serializer->is_done()) return write(std::move(out));
                             done(reply_.status);
                             keep_ ? readHeader() : linger();
                           }));
  }

  using Stream = std::shared_ptr<Outgoing<http::buffer_body>>;

  void sendStream() {
    const bool chunked = version_ >= 11;
    keep_ = keep_ && chunked && !reply_.feed;
    auto out = outgoing<http::buffer_body>();
    out->message.chunked(chunked);
    if (!reply_.feed) return nextPiece(std::move(out));
    reply_.feed->whenChanged([weak = weak_from_this(), &io = network_.io] {
      net::post(io, [weak] {
        if (const auto self = weak.lock()) self->change_.cancel();
      });
    });
    // A closed page is noticed at once, not only at the next heartbeat.
    stream_.socket().async_wait(tcp::socket::wait_read, [weak = weak_from_this()](error_code ec) {
      const auto self = weak.lock();
      if (self && !ec && self->stream_.socket().available(ec) == 0) self->stop();
    });
    writePiece(std::move(out), std::move(reply_.body));
  }

  void nextPiece(Stream out) {
    if (reply_.feed) return feedOn(std::move(out), false);
    compute([this] { made_ = reply_.pieces(); }, [this, out] { made_ ? writePiece(out, std::move(*made_)) : done(0); });
  }

  void feedOn(Stream out, bool idle) {
    if (!stream_.socket().is_open()) return done(reply_.status);
    auto news = reply_.feed->take();
    if (!news) return writePiece(std::move(out), {});
    if (news->empty() && idle) news = ": still here\n\n";
    if (!news->empty()) return writePiece(std::move(out), std::move(*news));
    change_.expires_after(seconds(settings().heartbeat_s));
    change_.async_wait(
        then([this, out = std::move(out)](error_code ec) mutable { feedOn(std::move(out), /*idle=*/!ec); }));
  }

  /// An empty one ends the stream.
  void writePiece(Stream out, std::string piece) {
    writing_ = std::move(piece);
    auto& body = out->message.body();
    body.data = writing_.empty() ? nullptr : writing_.data();
    body.size = writing_.size();
    body.more = !writing_.empty();
    write(std::move(out));
  }

  /// For the log. Status 0: the client disconnected, or was too slow.
  void done(int status) {
    if (network_.handler.done)
      network_.handler.done(request_, status,
                            std::chrono::duration_cast<std::chrono::milliseconds>(Clock::now() - begun_));
    reply_ = {};
  }

  /// Signals the end and reads what is still in transit, so that the reply is not lost in a reset.
  void linger() {
    error_code ec;
    stream_.socket().shutdown(tcp::socket::shutdown_send, ec);
    piece_.resize(kPiece);
    if (!ec) readRest(0);
  }
  void readRest(std::size_t total) {
    if (total >= kMostLeftUnread) return;
    stream_.expires_after(seconds(1));
    stream_.async_read_some(net::buffer(piece_), then([this, total](error_code ec, std::size_t n) {
                              if (!ec) readRest(total + n);
                            }));
  }

  Network& network_;
  beast::tcp_stream stream_;
  net::steady_timer change_{network_.io};  // until a feed has something to send
  beast::flat_buffer buffer_;
  std::optional<http::request_parser<http::buffer_body>> parser_;
  std::vector<char> piece_;
  beast::file file_;
  error_code file_problem_;
  Request request_;
  tl::expected<Intake, Reply> intake_;
  unsigned version_ = 11;
  bool keep_ = false;
  Clock::time_point begun_ = Clock::now();
  Reply reply_;
  std::optional<std::string> made_;
  std::string writing_;
};

void Network::acceptNext() {
  acceptor.async_accept([this](error_code ec, tcp::socket socket) {
    if (stopping) return;
    if (ec) {  // no descriptors left: wait before retrying, some will be freed
      pause.expires_after(std::chrono::milliseconds(100));
      pause.async_wait([this](error_code) {
        if (!stopping) acceptNext();
      });
      return;
    }
    const bool full = connections.size() >= static_cast<std::size_t>(settings.connections);
    const auto connection = std::make_shared<Connection>(*this, std::move(socket));
    if (full)
      connection->refuse(refusal(503, "server.too_many_connections", "server.close_other_windows"));
    else
      connection->begin();
    acceptNext();
  });
}

void Network::stop() {
  stopping = true;
  error_code ignored;
  acceptor.close(ignored);
  pause.cancel();
  for (Connection* c : connections) c->stop();
}

}  // namespace

struct HttpServer::Impl {
  Network network;
  net::executor_work_guard<net::io_context::executor_type> more{network.io.get_executor()};
  std::thread thread;

  Impl(const HttpSettings& settings, Handler handler) : network(settings, std::move(handler)) {}
  void run() {
    for (;;) {
      try {
        network.io.run();
        return;
      } catch (const std::exception&) {
        // Not enough memory for a connection: it ended with its step, the others go on.
      }
    }
  }
};

HttpServer::HttpServer(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}

Result<std::unique_ptr<HttpServer>> HttpServer::start(const HttpSettings& settings, Handler handler) {
  auto impl = std::make_unique<Impl>(settings, std::move(handler));
  auto& acceptor = impl->network.acceptor;
  error_code ec;
  const tcp::endpoint here(net::ip::address_v4::loopback(), settings.port);
  acceptor.open(here.protocol(), ec);
  if (!ec) acceptor.set_option(tcp::acceptor::reuse_address(true), ec);
  if (!ec) acceptor.bind(here, ec);
  if (!ec) acceptor.listen(net::socket_base::max_listen_connections, ec);
  if (ec)
    return fail(Fault::kRequest, {"server.port_cannot_be_used", {{"why", ec.message()}}},
                fmt::format("127.0.0.1:{}", settings.port), "server.choose_another_port");
  impl->network.acceptNext();
  impl->thread = std::thread([raw = impl.get()] { raw->run(); });
  return std::unique_ptr<HttpServer>(new HttpServer(std::move(impl)));
}

HttpServer::~HttpServer() {
  net::post(impl_->network.io, [this] { impl_->network.stop(); });
  impl_->network.workers.join();  // requests in progress
  impl_->more.reset();
  impl_->thread.join();
}

std::uint16_t HttpServer::port() const {
  error_code ignored;
  return impl_->network.acceptor.local_endpoint(ignored).port();
}

}  // namespace rayset::server
