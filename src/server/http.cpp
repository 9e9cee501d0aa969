#include "server/http.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

#include <atomic>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/core.hpp>
#include <boost/beast/http.hpp>
#include <list>
#include <mutex>
#include <thread>

namespace rayset::server {
namespace net = boost::asio;
namespace beast = boost::beast;
namespace http = beast::http;
using tcp = net::ip::tcp;
using boost::system::error_code;

namespace {

constexpr std::uint32_t kHeaderLimit = 16 * 1024;
constexpr std::size_t kPiece = 256 * 1024;
/// Only our own scripts, pictures and connections; no other page may frame us.
constexpr const char* kPolicy =
    "default-src 'self'; img-src 'self' blob: data:; worker-src 'self' blob:; connect-src 'self'; "
    "frame-ancestors 'self'; base-uri 'none'; form-action 'none'; object-src 'none'";

int hexDigit(char c) {
  if (c >= '0' && c <= '9') return c - '0';
  if (c >= 'a' && c <= 'f') return c - 'a' + 10;
  if (c >= 'A' && c <= 'F') return c - 'A' + 10;
  return -1;
}

/// Well-formed UTF-8 (RFC 3629) without control characters.
bool isCleanText(std::string_view text) {
  for (std::size_t n = 0; n < text.size();) {
    const auto c = static_cast<unsigned char>(text[n]);
    if (c < 0x20 || c == 0x7F) return false;
    const std::size_t more = c < 0x80 ? 0 : c >= 0xF0 && c < 0xF5 ? 3 : c >= 0xE0 && c < 0xF0 ? 2 : 1;
    if (c >= 0x80 && (c < 0xC2 || c >= 0xF5)) return false;
    std::uint32_t code = more == 0 ? c : c & (0x3FU >> more);
    for (std::size_t k = 1; k <= more; ++k) {
      if (n + k >= text.size() || (static_cast<unsigned char>(text[n + k]) & 0xC0U) != 0x80U) return false;
      code = code << 6U | (static_cast<unsigned char>(text[n + k]) & 0x3FU);
    }
    if ((more == 2 && code < 0x800) || (more == 3 && code < 0x10000) || code > 0x10FFFF) return false;
    if ((code >= 0xD800 && code <= 0xDFFF) || (code >= 0x80 && code < 0xA0)) return false;
    n += more + 1;
  }
  return true;
}

/// Path and query of a request target; false where it is not well-formed.
bool readTarget(std::string_view target, Request& request) {
  if (target.empty() || target.front() != '/') return false;
  const auto mark = target.find('?');
  std::string_view path = target.substr(1, mark == std::string_view::npos ? mark : mark - 1);
  while (!path.empty()) {
    const auto slash = path.find('/');
    auto segment = percentDecoded(path.substr(0, slash), false);
    if (!segment || segment->empty()) return false;
    request.segments.push_back(std::move(*segment));
    if (slash == std::string_view::npos) break;
    path.remove_prefix(slash + 1);
  }
  if (mark == std::string_view::npos) return true;
  std::string_view query = target.substr(mark + 1);
  while (!query.empty()) {
    const auto end = query.find('&');
    const std::string_view pair = query.substr(0, end);
    const auto equals = pair.find('=');
    auto key = percentDecoded(pair.substr(0, equals), true);
    auto value = equals == std::string_view::npos ? std::optional<std::string>("")
                                                  : percentDecoded(pair.substr(equals + 1), true);
    if (!key || !value) return false;
    request.query[*key] = *value;
    if (end == std::string_view::npos) break;
    query.remove_prefix(end + 1);
  }
  return true;
}

Reply refusal(int status, const std::string& what, const std::string& remedy) {
  Reply reply;
  reply.status = status;
  reply.body = fmt::format(R"({{"error":{{"what":"{}","where":"","remedy":"{}"}}}})", what, remedy);
  return reply;
}

class Connection {
 public:
  Connection(const HttpSettings& settings, const Handler& handler) : settings_(settings), handler_(handler) {}

  net::io_context context{1};
  std::atomic<bool> done{false};
  std::thread thread;

  void begin(tcp::socket socket, bool full) {
    stream_.emplace(std::move(socket));
    thread = std::thread([this, full] {
      run(full);
      done = true;
    });
  }
  void stop() {
    stopping_ = true;
    net::post(context, [this] { stream_->close(); });
  }

 private:
  using HeaderParser = http::request_parser<http::empty_body>;

  /// Runs one asynchronous operation to its end or its time limit.
  template <class Start>
  error_code wait(int seconds, Start start) {
    if (stopping_) return net::error::operation_aborted;
    error_code result = net::error::operation_aborted;
    stream_->expires_after(std::chrono::seconds(seconds));
    start([&result](error_code ec, std::size_t) { result = ec; });
    context.restart();
    context.run();
    return result;
  }

  void run(bool full) {
    try {
      error_code ignored;
      stream_->socket().set_option(tcp::no_delay(true), ignored);
      if (full) {
        (void)send(refusal(503, "too many connections are open", "Close other windows of this page."), 11, false);
      } else {
        while (!stopping_ && serveOne()) {
        }
      }
      linger();
    } catch (const std::exception&) {
      // Not enough memory for this connection: it ends, the others go on.
    }
    error_code ignored;
    stream_->socket().close(ignored);
  }

  /// Says that nothing more comes and reads what is still under way, so that the reply is not lost in a reset.
  void linger() {
    error_code ec;
    stream_->socket().shutdown(tcp::socket::shutdown_send, ec);
    std::array<char, 16384> rest{};
    for (std::size_t total = 0; !ec && !stopping_ && total < (std::size_t{64} << 20U);) {
      std::size_t read = 0;
      ec = wait(1, [&](auto handler) {
        stream_->async_read_some(net::buffer(rest), [handler, &read](error_code e, std::size_t n) mutable {
          read = n;
          handler(e, n);
        });
      });
      total += read;
    }
  }

  /// One request and its reply; false: the connection ends.
  bool serveOne() {
    HeaderParser header;
    header.header_limit(kHeaderLimit);
    header.body_limit(std::numeric_limits<std::uint64_t>::max());  // decided by the handler
    const error_code ec =
        wait(settings_.header_s, [&](auto handler) { http::async_read_header(*stream_, buffer_, header, handler); });
    if (ec == http::error::header_limit)
      return send(refusal(431, "the header of the request is too large", ""), 11, false);
    if (ec && ec != http::error::end_of_stream &&
        ec.category() == http::make_error_code(http::error::bad_method).category())
      return send(refusal(400, "this is no HTTP request", ""), 11, false);
    if (ec) return false;

    Request request;
    const auto& h = header.get();
    request.method = std::string(h.method_string());
    request.host = std::string(h[http::field::host]);
    request.accept_encoding = std::string(h[http::field::accept_encoding]);
    request.if_none_match = std::string(h[http::field::if_none_match]);
    request.marked = h["X-Rayset"] == "1";
    const unsigned version = h.version();
    const bool keep = h.keep_alive();
    if (!readTarget({h.target().data(), h.target().size()}, request))
      return send(refusal(400, "the address is not well-formed", ""), version, false);
    auto intake = handler_.accept(request);
    if (!intake) return send(intake.error(), version, false);  // its body, if any, is not read
    const std::uint64_t announced = header.content_length() ? *header.content_length() : 0;
    if (announced > intake->limit)
      return send(refusal(413, fmt::format("this takes at most {} bytes", intake->limit), ""), version, false);
    if (beast::iequals(h[http::field::expect], "100-continue")) {
      static const std::string kGoOn = "HTTP/1.1 100 Continue\r\n\r\n";
      if (wait(settings_.write_s, [&](auto handler) { net::async_write(*stream_, net::buffer(kGoOn), handler); }))
        return false;
    }
    const auto refused =
        intake->file.empty() ? readIntoMemory(header, *intake, request) : readIntoFile(header, *intake, request);
    if (refused) return refused->status != 0 && send(*refused, version, false);
    const Reply reply = handler_.answer(request);
    discard(request.uploaded);
    return send(reply, version, keep);
  }

  static void discard(const std::filesystem::path& file) {
    std::error_code ignored;
    if (!file.empty()) std::filesystem::remove(file, ignored);
  }

  /// Nothing: read. Status 0: the connection is gone.
  static std::optional<Reply> failed(error_code ec, const Intake& intake) {
    if (ec == http::error::body_limit)
      return refusal(413, fmt::format("this takes at most {} bytes", intake.limit), "");
    Reply gone;
    gone.status = 0;
    return gone;
  }

  std::optional<Reply> readIntoMemory(HeaderParser& header, const Intake& intake, Request& request) {
    http::request_parser<http::string_body> parser(std::move(header));
    parser.body_limit(intake.limit);
    if (!parser.is_done()) {
      const error_code ec =
          wait(settings_.body_s, [&](auto handler) { http::async_read(*stream_, buffer_, parser, handler); });
      if (ec) return failed(ec, intake);
    }
    request.body = std::move(parser.get().body());
    return std::nullopt;
  }

  std::optional<Reply> readIntoFile(HeaderParser& header, const Intake& intake, Request& request) {
    http::request_parser<http::buffer_body> parser(std::move(header));
    parser.body_limit(intake.limit);
    const int fd = ::open(intake.file.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
    if (fd < 0) return refusal(500, "the file cannot be written", "Check free space and permissions.");
    std::vector<char> piece(kPiece);
    std::optional<Reply> problem;
    while (!parser.is_done() && !problem) {
      parser.get().body().data = piece.data();
      parser.get().body().size = piece.size();
      error_code ec =
          wait(settings_.body_s, [&](auto handler) { http::async_read(*stream_, buffer_, parser, handler); });
      if (ec == http::error::need_buffer) ec = {};
      if (ec) {
        problem = failed(ec, intake);
        break;
      }
      std::string_view left(piece.data(), piece.size() - parser.get().body().size);
      while (!left.empty() && !problem) {
        const ssize_t n = ::write(fd, left.data(), left.size());
        if (n < 0 && errno == EINTR) continue;
        if (n <= 0)
          problem = refusal(500, "the file cannot be written, is the disk full?", "Free some space.");
        else
          left.remove_prefix(static_cast<std::size_t>(n));
      }
    }
    if (::close(fd) != 0 && !problem) problem = refusal(500, "the file cannot be written", "Free some space.");
    if (problem)
      discard(intake.file);
    else
      request.uploaded = intake.file;
    return problem;
  }

  template <class Body>
  static void fill(http::response<Body>& out, const Reply& reply, bool keep) {
    out.set(http::field::content_type, reply.type);
    out.set("Content-Security-Policy", kPolicy);
    out.set("X-Content-Type-Options", "nosniff");
    out.set("Referrer-Policy", "no-referrer");
    out.set("Cross-Origin-Resource-Policy", "same-origin");
    for (const auto& [name, value] : reply.headers) out.set(name, value);
    out.keep_alive(keep);
  }

  /// Whether the connection can go on.
  bool send(const Reply& reply, unsigned version, bool keep) {
    if (reply.stream) return sendStream(reply, version, keep);
    const auto status = static_cast<http::status>(reply.status);
    if (!reply.file.empty()) {
      http::response<http::file_body> out{status, version};
      error_code ec;
      out.body().open(reply.file.c_str(), beast::file_mode::scan, ec);
      if (ec) return send(refusal(404, "this file is not there", "Load the page anew."), version, keep);
      fill(out, reply, keep);
      out.prepare_payload();
      http::response_serializer<http::file_body> serializer(out);
      while (!serializer.is_done())
        if (wait(settings_.write_s, [&](auto handler) { http::async_write_some(*stream_, serializer, handler); }))
          return false;
      return keep;
    }
    http::response<http::span_body<const char>> out{status, version};
    out.body() = {reply.body.data(), reply.body.size()};
    fill(out, reply, keep);
    if (reply.status != 204 && reply.status != 304) out.prepare_payload();
    http::response_serializer<http::span_body<const char>> serializer(out);
    while (!serializer.is_done())
      if (wait(settings_.write_s, [&](auto handler) { http::async_write_some(*stream_, serializer, handler); }))
        return false;
    return keep;
  }

  class ChunkSink : public Sink {
   public:
    explicit ChunkSink(Connection& c, bool chunked) : c_(c), chunked_(chunked) {}
    bool write(std::string_view bytes) override {
      if (bytes.empty()) return !c_.stopping_;
      const net::const_buffer data(bytes.data(), bytes.size());
      alive = alive && !c_.wait(c_.settings_.write_s, [&](auto handler) {
        if (chunked_)
          net::async_write(*c_.stream_, http::make_chunk(data), handler);
        else
          net::async_write(*c_.stream_, data, handler);
      });
      return alive;
    }
    bool alive = true;

   private:
    Connection& c_;
    bool chunked_;
  };

  bool sendStream(const Reply& reply, unsigned version, bool keep) {
    const bool chunked = version >= 11;
    http::response<http::empty_body> out{static_cast<http::status>(reply.status), version};
    fill(out, reply, keep && chunked);
    if (chunked) out.chunked(true);
    http::response_serializer<http::empty_body> serializer(out);
    if (wait(settings_.write_s, [&](auto handler) { http::async_write_header(*stream_, serializer, handler); }))
      return false;
    ChunkSink sink(*this, chunked);
    reply.stream(sink);
    if (!sink.alive || !chunked) return false;
    return !wait(settings_.write_s, [&](auto handler) {
      net::async_write(*stream_, http::make_chunk_last(), handler);
    }) && keep;
  }

  const HttpSettings& settings_;
  const Handler& handler_;
  std::optional<beast::tcp_stream> stream_;
  beast::flat_buffer buffer_;
  std::atomic<bool> stopping_{false};
};

}  // namespace

std::optional<std::string> percentDecoded(std::string_view text, bool plus_is_space) {
  std::string out;
  for (std::size_t n = 0; n < text.size(); ++n) {
    if (text[n] == '+' && plus_is_space) {
      out += ' ';
    } else if (text[n] != '%') {
      out += text[n];
    } else {
      if (n + 2 >= text.size()) return std::nullopt;
      const int high = hexDigit(text[n + 1]), low = hexDigit(text[n + 2]);
      if (high < 0 || low < 0) return std::nullopt;
      out += static_cast<char>(16 * high + low);
      n += 2;
    }
  }
  if (!isCleanText(out)) return std::nullopt;
  return out;
}

struct HttpServer::Impl {
  HttpSettings settings;
  Handler handler;
  net::io_context context{1};
  tcp::acceptor acceptor{context};
  std::mutex mutex;
  std::list<std::unique_ptr<Connection>> connections;
  bool stopping = false;
  std::thread thread;

  void acceptNext() {
    auto next = std::make_shared<std::unique_ptr<Connection>>(std::make_unique<Connection>(settings, handler));
    acceptor.async_accept((*next)->context, [this, next](error_code ec, tcp::socket socket) {
      if (ec == net::error::operation_aborted) return;
      if (!ec) take(std::move(*next), std::move(socket));
      acceptNext();
    });
  }

  void take(std::unique_ptr<Connection> connection, tcp::socket socket) {
    const std::lock_guard lock(mutex);
    if (stopping) return;
    for (auto it = connections.begin(); it != connections.end();) {
      if ((*it)->done) {
        (*it)->thread.join();
        it = connections.erase(it);
      } else {
        ++it;
      }
    }
    const bool full = connections.size() >= static_cast<std::size_t>(settings.connections);
    connections.push_back(std::move(connection));
    connections.back()->begin(std::move(socket), full);
  }
};

HttpServer::HttpServer(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}

Result<std::unique_ptr<HttpServer>> HttpServer::start(const HttpSettings& settings, Handler handler) {
  auto impl = std::make_unique<Impl>();
  impl->settings = settings;
  impl->handler = std::move(handler);
  error_code ec;
  const tcp::endpoint here(net::ip::address_v4::loopback(), settings.port);
  impl->acceptor.open(here.protocol(), ec);
  if (!ec) impl->acceptor.set_option(tcp::acceptor::reuse_address(true), ec);
  if (!ec) impl->acceptor.bind(here, ec);
  if (!ec) impl->acceptor.listen(net::socket_base::max_listen_connections, ec);
  if (ec)
    return fail(Fault::kRequest, "the port cannot be used: " + ec.message(), fmt::format("127.0.0.1:{}", settings.port),
                "Choose another --port, or 0 for a free one.");
  impl->acceptNext();
  impl->thread = std::thread([raw = impl.get()] { raw->context.run(); });
  return std::unique_ptr<HttpServer>(new HttpServer(std::move(impl)));
}

HttpServer::~HttpServer() {
  net::post(impl_->context, [this] {
    error_code ignored;
    impl_->acceptor.close(ignored);
  });
  impl_->thread.join();
  const std::lock_guard lock(impl_->mutex);
  impl_->stopping = true;
  for (const auto& c : impl_->connections) c->stop();
  for (const auto& c : impl_->connections) c->thread.join();
}

std::uint16_t HttpServer::port() const {
  error_code ignored;
  return impl_->acceptor.local_endpoint(ignored).port();
}

}  // namespace rayset::server
